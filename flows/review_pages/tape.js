// One tape: findings to go through, sides to be decided otherwise, the sign-off.
import { keys, post, refresh, remember, remembered, tell, watch } from "./live.js";
import { Stage, clock } from "./stage.js";

const url = document.body.dataset.url;
const audio = document.getElementById("audio");
const soundBox = document.getElementById("sound");
const playing = document.getElementById("playing");
const refusal = document.getElementById("refusal");
const note = document.getElementById("refusal-note");
const dirty = new Set(); // sides whose form somebody has changed
const stages = new Map();

const sides = [...document.querySelectorAll("section.side")];
const sideOf = (element) => element.closest("[data-side]").dataset.side;
const sectionOf = (side) => sides.find((section) => section.dataset.side === side);
const formOf = (side) => sectionOf(side).querySelector("form.decide");
const sideUrl = (side) => `${url}/${encodeURIComponent(side)}`;

for (const section of sides) {
  const side = section.dataset.side;
  stages.set(side, new Stage(section, sideUrl(side), (cut) => {
    const form = formOf(side);
    form.elements.start_s.value = cut[0];
    form.elements.stop_s.value = cut[1];
    dirty.add(side);
  }));
}

// --- which finding we are at
const rows = () => [...document.querySelectorAll(".finding")];
const current = () => document.querySelector(".finding[aria-current]");
const nameOf = (row) => `${row.dataset.side} ${row.dataset.code} ${row.dataset.at}`;
let currentName = "";

function goTo(row, focus = true) {
  current()?.removeAttribute("aria-current");
  if (!row) return;
  row.setAttribute("aria-current", "true");
  currentName = nameOf(row);
  if (row.dataset.at) stages.get(row.dataset.side).setCursor(Number(row.dataset.at), true);
  if (focus) row.focus();
}

function step(by, wanted = () => true) {
  const all = rows();
  const here = all.indexOf(current());
  const from = here < 0 ? (by > 0 ? -1 : all.length) : here;
  for (let at = from + by; at >= 0 && at < all.length; at += by) if (wanted(all[at])) { goTo(all[at]); return true; }
  return false;
}

const isOpen = (row) => row.classList.contains("open");

// The side a person is at: of the element in use, of the finding, or the first one.
function sideHere() {
  return document.activeElement?.closest("section.side")?.dataset.side ?? current()?.dataset.side ?? sides[0].dataset.side;
}

// --- listening
let heard = null; // {side, start, after, of}

function play(side, start, stop, after, what) {
  const already = heard && heard.of === `${side} ${start} ${after}` && !audio.paused;
  stopSound();
  if (already) return;
  heard = { side, start, after, of: `${side} ${start} ${after}` };
  audio.src = `${sideUrl(side)}/${after ? "after" : "before"}.wav?start=${start}&stop=${stop}`;
  playing.textContent = `${what}, ${after ? "corrected" : "as captured"}`;
  soundBox.hidden = false;
  audio.play().catch((error) => { if (error.name !== "AbortError") tell(`This cannot be played: ${error.message}`, true); });
}

function stopSound() {
  audio.pause();
  if (audio.getAttribute("src")) { audio.removeAttribute("src"); audio.load(); }
  soundBox.hidden = true;
  heard = null;
}

function hear(row, after) {
  if (!row?.dataset.hear) { tell("This finding is of the whole side: play from the cursor with p."); return; }
  if (after && !row.querySelector('[data-do="hear-after"]')) { tell("This is not in the corrected copy, or sounds the same there."); return; }
  const [start, stop] = row.dataset.hear.split(" ").map(Number);
  play(row.dataset.side, start, stop, after, row.querySelector("b").textContent);
}

function playFromCursor(side) {
  const stage = stages.get(side);
  play(side, stage.cursor, stage.duration, false, `Side ${side} from ${clock(stage.cursor)}`);
}

audio.addEventListener("ended", stopSound);
audio.addEventListener("timeupdate", () => {
  if (!heard || !audio.currentTime) return;
  const ratio = heard.after ? Number(formOf(heard.side).elements.ratio.defaultValue) : 1;
  stages.get(heard.side).setCursor(heard.start + audio.currentTime * ratio, true);
});

function show(row) {
  if (!row?.dataset.hear) return;
  const [start, stop] = row.dataset.hear.split(" ").map(Number);
  const stage = stages.get(row.dataset.side);
  stage.show(start, stop);
  stage.setCursor(Number(row.dataset.at));
  stage.element.scrollIntoView({ block: "nearest" });
}

// --- answers: kept in order, sent one after the other
const toSend = [];
let sending = false;

function answer(row, said, wholeKind, words = "") {
  if (!row) { tell("No finding is chosen: j goes to the next one."); return; }
  const at = wholeKind || row.dataset.at === "" ? null : Number(row.dataset.at);
  toSend.push({ side: row.dataset.side, code: row.dataset.code, at_s: at, said, note: words });
  for (const one of wholeKind ? row.closest(".kind").querySelectorAll(".finding") : [row]) {
    one.classList.add("saving");
    one.classList.remove("open");
  }
  if (said !== "open") step(1, isOpen) || step(-1, isOpen);
  send();
}

async function send() {
  if (sending) return;
  sending = true;
  try {
    while (toSend.length) {
      const batch = toSend.splice(0, 500);
      const outcome = await post(`${url}/settle`, { answers: batch });
      tell(outcome.left ? `Kept. ${outcome.left} left to settle.` : "Kept. Nothing is left to settle: sign the tape off.");
    }
  } catch (error) {
    toSend.length = 0;
    tell(error.message, true);
  }
  sending = false;
  await freshen();
}

function refuse(row, wholeKind) {
  if (!row) { tell("No finding is chosen: j goes to the next one."); return; }
  const title = row.closest(".kind").querySelector("h4").innerText;
  document.getElementById("refusal-what").textContent = wholeKind ? `All of: ${title}` : row.querySelector("p").innerText;
  refusal.returnValue = "";
  refusal.onclose = () => {
    goTo(row);
    if (refusal.returnValue === "refuse") answer(row, "refused", wholeKind, note.value);
  };
  note.value = "";
  refusal.showModal();
  note.focus();
}

const mayAnswer = (row) => row?.querySelector('[data-do="accepted"]');
const mayTakeBack = (row) => row?.querySelector('[data-do="open"]');

// --- the page again, when the archive has changed
async function freshen() {
  const kept = document.activeElement;
  const focus = { finding: kept?.closest(".finding") && nameOf(kept.closest(".finding")), live: kept?.closest("[data-live]") && kept.name, form: kept?.closest("[data-live]")?.dataset.live };
  await refresh((part, fresh) => {
    if (part.id === "sign") return part.contains(document.activeElement) && isTyping();
    if (!part.matches("form.decide") || !dirty.has(part.dataset.side)) return false;
    if (part.dataset.revision === fresh.dataset.revision) return true;
    dirty.delete(part.dataset.side); // made again meanwhile: what was typed was for the revision before
    return false;
  });
  if (focus.finding && document.activeElement === document.body) {
    const row = rows().find((one) => nameOf(one) === focus.finding) ?? rows().find((one) => nameOf(one) === currentName);
    goTo(row);
  } else if (focus.live && document.activeElement === document.body) {
    document.querySelector(`[data-live="${focus.form}"]`)?.elements?.[focus.live]?.focus?.();
  }
  const row = rows().find((one) => nameOf(one) === currentName);
  if (row && !current()) goTo(row, false);
}

const isTyping = () => ["name", "note"].some((name) => document.getElementById("sign").elements[name].value);

document.addEventListener("refreshed", () => {
  for (const [side, stage] of stages) {
    stage.read();
    if (dirty.has(side)) {
      const form = formOf(side);
      stage.setCut([Number(form.elements.start_s.value), Number(form.elements.stop_s.value)]);
    } else stage.draw();
  }
  nameRemembered();
});

// --- decide otherwise
async function makeAgain(form) {
  const side = form.dataset.side;
  const fields = form.elements;
  const wishes = { side };
  for (const name of ["start_s", "stop_s"]) {
    if (Number(fields[name].value) !== Number(fields[name].defaultValue)) wishes[name] = Number(fields[name].value);
  }
  const speed = fields.speed.value;
  if (speed === "reading") Object.assign(wishes, { read_hz: Number(fields.read_hz.value), true_hz: Number(fields.true_hz.value) });
  else if (speed === "ratio") wishes.ratio = Number(fields.ratio.value);
  else if (speed) wishes.source = speed;
  const channels = fields.channels;
  if (channels && !channels.selectedOptions[0].defaultSelected) wishes.channels = channels.value;
  if (fields.reason.value) wishes.reason = fields.reason.value;
  const trouble = form.querySelector(".trouble");
  trouble.textContent = "";
  try {
    const outcome = await post(`${url}/rerun`, wishes);
    tell(outcome.told);
    if (outcome.again) dirty.add(side);
  } catch (error) {
    trouble.textContent = error.message;
    tell(error.message, true);
  }
}

async function signOff(form) {
  const trouble = form.querySelector(".trouble");
  trouble.textContent = "";
  try {
    const outcome = await post(`${url}/sign`, { name: form.elements.name.value, note: form.elements.note.value });
    remember("feltpad-name", form.elements.name.value);
    form.elements.note.value = form.elements.name.value = "";
    document.activeElement.blur();
    await freshen();
    tell(`Signed off by ${outcome.signed.name}.`);
  } catch (error) {
    trouble.textContent = error.message;
  }
}

function nameRemembered() {
  const field = document.getElementById("sign").elements.name;
  if (!field.value) field.value = remembered("feltpad-name") ?? "";
}

// --- mouse
document.addEventListener("submit", (event) => {
  if (event.target.matches("dialog form")) return;
  event.preventDefault();
  if (event.target.matches(".decide")) makeAgain(event.target);
  else if (event.target.id === "sign") signOff(event.target);
});

document.addEventListener("input", (event) => {
  const form = event.target.closest("form.decide");
  if (!form) return;
  dirty.add(form.dataset.side);
  const { name } = event.target;
  if (name === "start_s" || name === "stop_s") {
    const cut = [Number(form.elements.start_s.value), Number(form.elements.stop_s.value)];
    if (cut[0] < cut[1]) stages.get(form.dataset.side).setCut(cut);
  }
  if (name === "read_hz" || name === "true_hz") form.elements.speed.value = "reading";
  if (name === "ratio") form.elements.speed.value = "ratio";
});

document.addEventListener("click", (event) => {
  const row = event.target.closest(".finding");
  if (row) goTo(row, false);
  const button = event.target.closest("[data-do]");
  if (!button) { if (event.target.id === "stop") stopSound(); return; }
  const kindRow = button.closest(".kind")?.querySelector(".finding");
  const stage = stages.get(sideOf(button));
  ({
    hear: () => hear(row, false),
    "hear-after": () => hear(row, true),
    show: () => show(row),
    accepted: () => answer(row, "accepted", false),
    refused: () => refuse(row, false),
    open: () => answer(row, "open", false),
    "kind-accepted": () => answer(kindRow, "accepted", true),
    "kind-refused": () => refuse(kindRow, true),
    "kind-open": () => answer(kindRow, "open", true),
    play: () => (heard ? stopSound() : playFromCursor(sideOf(button))),
    closer: () => stage.zoom(0.5),
    wider: () => stage.zoom(2),
    whole: () => stage.show(0, stage.duration),
  })[button.dataset.do]();
});

// --- keys
const here = () => stages.get(sideHere());
function keep(which) {
  const stage = here();
  stage.moveHandle(which, stage.cursor);
  tell(`Side ${stage.data.side}: kept from ${clock(stage.cut[0])} to ${clock(stage.cut[1])}. m makes it again.`);
}
const ask = (row, whole, do_) => (whole ? mayAnswer(row) || row?.closest(".kind").querySelector('[data-do="accepted"]') : mayAnswer(row)) ? do_() : tell("There is nothing to answer here.");

keys({
  j: () => step(1),
  k: () => step(-1),
  o: () => step(1, isOpen) || tell("No open finding further on."),
  Space: () => (audio.paused || !heard ? hear(current(), false) : stopSound()),
  c: () => hear(current(), true),
  f: () => show(current()),
  a: () => ask(current(), false, () => answer(current(), "accepted", false)),
  r: () => ask(current(), false, () => refuse(current(), false)),
  u: () => (mayTakeBack(current()) ? answer(current(), "open", false) : tell("There is no answer to take back here.")),
  A: () => ask(current(), true, () => answer(current(), "accepted", true)),
  R: () => ask(current(), true, () => refuse(current(), true)),
  "+": () => here().zoom(0.5),
  "=": () => here().zoom(0.5),
  "-": () => here().zoom(2),
  w: () => here().show(0, here().duration),
  p: () => (heard ? stopSound() : playFromCursor(sideHere())),
  "[": () => keep(0),
  "]": () => keep(1),
  d: () => formOf(sideHere()).querySelector("input:checked").focus(),
  m: () => formOf(sideHere()).requestSubmit(),
  s: () => { const form = document.getElementById("sign"); form.scrollIntoView(); form.elements.name.focus(); },
  n: () => { const next = document.getElementById("after"); if (next) location.href = next.href; else tell("No tape further on has anything left."); },
  b: () => { location.href = "/"; },
  Escape: () => stopSound(),
});

nameRemembered();
goTo(rows().find(isOpen) ?? rows()[0], false);
watch(`/state?tape=${encodeURIComponent(document.body.dataset.tape)}`, freshen);
