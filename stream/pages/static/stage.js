import { ageOf, ask, follow } from "./link.js";
import { recording } from "./recording.js";

const body = document.body;
const canvas = document.getElementById("picture");
const note = document.getElementById("note");
const count = document.getElementById("count");
const mirror = document.getElementById("mirror");

const KEPT_MS = 2600;
const RECORDED_MS = 4000;
const COUNT_S = 3;
const AWAY = "The camera is away for a moment";
let mirrored = null; // null until chosen here; then the choice of this screen
let byDefault = false;
let linked = false;
let state = null;
let keptAt = -Infinity;
let keptBefore = null;
let countEnd = null;
let recordedAt = -Infinity;

body.classList.add("empty");

function showMirror() {
  mirror.setAttribute("aria-pressed", String(mirrored ?? byDefault));
}

function say(text, kind = "") {
  if (text) note.textContent = text;
  note.classList.toggle("shown", Boolean(text));
  note.classList.toggle("kept", kind === "kept");
}

function refresh() {
  const live = linked && state !== null && state.source.state === "live";
  body.classList.toggle("away", state !== null && !live);
  if (performance.now() - recordedAt < RECORDED_MS) say("Thank you, it is recorded", "kept");
  else if (performance.now() - keptAt < KEPT_MS) say("Kept", "kept");
  else if (!linked || state === null) say("Back in a moment");
  else if (state.source.state === "starting") say("Getting ready");
  else if (state.source.state === "ended") say("Thank you");
  else if (!live) say(AWAY);
  else say("");
}

function tick() {
  const left = countEnd === null ? 0 : (countEnd - performance.now()) / 1000;
  if (left > 0) count.textContent = String(Math.ceil(left));
  count.classList.toggle("shown", left > 0);
}
setInterval(tick, 100);

const showRecording = recording(() => {
  recordedAt = performance.now();
  setTimeout(refresh, RECORDED_MS + 20);
});

const query = new URLSearchParams(location.search);
if (query.has("mirror")) mirrored = query.get("mirror") !== "0";

follow(canvas, {
  page: "stage",
  mirrored: () => mirrored ?? byDefault,
  linked(is) {
    linked = is;
    // Nobody is to go on talking to a program that is gone.
    if (!is) showRecording(null, true);
    refresh();
  },
  state(now) {
    byDefault = now.mirror;
    state = now;
    showMirror();
    if (now.pictures > 0) body.classList.remove("empty");
    if (keptBefore !== null && now.kept > keptBefore) {
      keptAt = performance.now();
      setTimeout(refresh, KEPT_MS + 20);
    }
    keptBefore = now.kept;
    countEnd = now.count_s === null ? null : performance.now() + 1000 * now.count_s;
    tick();
    showRecording(now.take);
    refresh();
  },
});

function toggleMirror() {
  mirrored = !(mirrored ?? byDefault);
  showMirror();
}

function toggleFull() {
  if (document.fullscreenElement) document.exitFullscreen();
  else document.documentElement.requestFullscreen?.().catch(() => {});
}

// The choices show only while somebody handles this screen.
let rest;
function touched() {
  body.classList.add("touched");
  clearTimeout(rest);
  rest = setTimeout(() => body.classList.remove("touched"), 3000);
}

mirror.addEventListener("click", toggleMirror);
document.getElementById("full").addEventListener("click", toggleFull);
addEventListener("pointermove", touched);
addEventListener("pointerdown", touched);
addEventListener("keydown", (event) => {
  if (event.repeat || event.ctrlKey || event.metaKey || event.altKey) return;
  if (event.target instanceof HTMLButtonElement) return;
  if (event.key === "m") toggleMirror();
  else if (event.key === "f") toggleFull();
  // Space and Enter, and Page Down: what a hand-held presenter sends.
  else if ([" ", "Enter", "PageDown"].includes(event.key)) {
    event.preventDefault();
    // Trouble belongs on the operator's page, not before the guests; the state carries it there.
    ask("/grab", { age_s: ageOf(event) }).catch(() => {});
  } else if (event.key === "b") ask("/grab", { age_s: ageOf(event), best_s: 0 }).catch(() => {});
  else if (event.key === "t") {
    const runs = ["counting", "recording"].includes(state?.take?.state);
    ask("/take", runs ? { do: "stop" } : { do: "start", count_s: COUNT_S }).catch(() => {});
  }
});

// Keep the screen from sleeping; it is only asked for, and a refusal changes nothing.
async function stayAwake() {
  try {
    await navigator.wakeLock?.request("screen");
  } catch {
    /* the browser may refuse on low battery */
  }
}
document.addEventListener("visibilitychange", () => document.hidden || stayAwake());
stayAwake();
refresh();
