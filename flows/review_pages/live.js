// What both pages share: asking the server, putting in what has changed, saying what is going on, keys.
const told = document.getElementById("told");
const work = document.getElementById("work");
const progress = document.getElementById("progress");
const keysDialog = document.getElementById("keys");
const single = document.getElementById("single");
const remembered = (name) => { try { return localStorage.getItem(name); } catch { return null; } };
const remember = (name, value) => { try { localStorage.setItem(name, value); } catch { /* a private window */ } };

export { remembered, remember };

export function tell(text, trouble = false) {
  told.textContent = text;
  told.classList.toggle("trouble", trouble);
}

export async function post(url, body) {
  const answer = await fetch(url, { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(body) });
  if (!answer.ok) throw new Error(await answer.text());
  return answer.json();
}

// Nothing is replaced while a mouse button or a finger is down: what is gone before it is let go of is never clicked.
const PATIENT_MS = 5000; // a release outside the window may never be told
let released = null; // a promise while something is held down
let letGo = () => {};
addEventListener("pointerdown", () => {
  released ??= new Promise((done) => { letGo = () => { released = null; done(); }; });
}, true);
for (const end of ["pointerup", "pointercancel"]) addEventListener(end, () => setTimeout(letGo), true); // after the click
const untilLetGo = () => Promise.race([released, new Promise((done) => { setTimeout(done, released ? PATIENT_MS : 0); })]);

// Put the fresh page's live parts in place of ours; a part somebody is typing into is left alone.
export async function refresh(busy = () => false) {
  const answer = await fetch(location.href);
  if (!answer.ok) return;
  const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
  await untilLetGo();
  document.body.dataset.version = fresh.body.dataset.version;
  for (const part of document.querySelectorAll("[data-live]")) {
    const other = fresh.querySelector(`[data-live="${part.dataset.live}"]`);
    if (!other) { location.reload(); return; }
    if (busy(part, other) || part.isEqualNode(other)) continue;
    part.replaceWith(document.adoptNode(other));
  }
  document.dispatchEvent(new Event("refreshed"));
}

// Ask every second, more often while something is being done, whether the archive has changed and what is being done.
export function watch(url, changed) {
  const look = async () => {
    let state;
    try {
      const answer = await fetch(url);
      if (!answer.ok) throw new Error();
      state = await answer.json();
    } catch {
      showWork("feltpad review has ended, or the tape is gone. What was settled is kept.", null, true);
      setTimeout(look, 5000);
      return;
    }
    show(state);
    if (state.version !== document.body.dataset.version) await changed();
    setTimeout(look, document.hidden ? 4000 : state.running || state.waiting.length ? 400 : 1000);
  };
  look();
}

function show(state) {
  const troubles = state.waiting.filter((entry) => entry.trouble);
  const stage = state.running?.stages[0];
  if (stage) {
    const more = state.running.stages.length - 1;
    const ended = state.running.sides > 1 ? `, ${state.running.ended} of ${state.running.sides} sides done` : "";
    showWork(`${stage.side}: ${stage.stage}${more ? ` and ${more} more` : ""}${ended}`, stage.fraction);
  } else if (troubles.length) {
    showWork(troubles.map((entry) => `${entry.tape}: ${entry.trouble}`).join("\n"), null, true);
  } else {
    showWork(state.waiting.map((entry) => `${entry.tape} ${entry.what}`).join("; "), null);
  }
}

function showWork(text, fraction, trouble = false) {
  if (work.textContent !== text) work.textContent = text;
  work.classList.toggle("trouble", trouble);
  progress.hidden = fraction === null;
  if (fraction !== null) progress.value = fraction;
}

// Single keys: not while typing, not with Ctrl, Alt or Meta, not while a window is open, and never when switched off.
export function keys(table) {
  single.checked = remembered("feltpad-single-keys") !== "off";
  single.addEventListener("change", () => remember("feltpad-single-keys", single.checked ? "on" : "off"));
  document.addEventListener("click", (event) => { if (event.target.closest("#help")) keysDialog.showModal(); });
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey || event.isComposing) return;
    const dialog = document.querySelector("dialog[open]");
    if (dialog) { // closed here and now: the browser would do it a moment later, and a quick next key would go astray
      if (event.key === "Escape") { event.preventDefault(); document.activeElement.blur(); dialog.close(""); }
      return;
    }
    const field = event.target.closest("input, select, textarea");
    if (event.key === "Escape" && field) { field.blur(); return; }
    if (field && !["radio", "checkbox"].includes(field.type)) return;
    const pressed = event.key === " " ? "Space" : event.key;
    if (pressed === "Space" && event.target.closest("button, a, input, select")) return;
    if (pressed === "?") { event.preventDefault(); keysDialog.showModal(); return; }
    if (!single.checked || !table[pressed]) return;
    event.preventDefault();
    table[pressed](event);
  });
}
