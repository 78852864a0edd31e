import { keys, refresh, watch } from "./live.js";

const only = document.getElementById("only");
const links = () => [...document.querySelectorAll(".tape a.open")].filter((link) => link.offsetParent);

function step(by, wanted = () => true) {
  const all = links();
  const here = all.indexOf(document.activeElement);
  for (let at = here + by; at >= 0 && at < all.length; at += by) {
    if (wanted(all[at])) { all[at].focus(); return; }
  }
}

only.addEventListener("change", () => document.body.classList.toggle("only", only.checked));
keys({
  j: () => step(1),
  k: () => step(-1),
  o: () => step(1, (link) => !link.closest(".tape").hasAttribute("data-done")),
});
watch("/state", async () => {
  const focused = document.activeElement?.getAttribute("href");
  await refresh();
  if (focused) links().find((link) => link.getAttribute("href") === focused)?.focus();
});
