// What the person before the screen sees of a recording: the count, that it runs, and its end.

import { clock } from "./link.js";

const el = (id) => document.getElementById(id);
// The last seconds are counted in large figures again.
const LAST_S = 5;

/** Shows it by the newest state, or none where the program is gone; `ended` is told of an orderly end. */
export function recording(ended) {
  let now = "none";
  let until = null; // when the count or the recording ends, by this page's clock
  let most = 1;

  function tick() {
    const left = until === null ? 0 : Math.max(0, (until - performance.now()) / 1000);
    const runs = now === "recording";
    const counts = until !== null && (now === "counting" || (runs && left <= LAST_S && most > 2 * LAST_S));
    if (counts) el("ready").textContent = String(Math.max(1, Math.ceil(left)));
    el("ready").classList.toggle("shown", counts);
    el("ready").classList.toggle("runs", runs);
    document.body.classList.toggle("recording", runs);
    if (!runs) return;
    el("left").textContent = clock(left);
    el("rest").firstElementChild.style.width = `${(100 * left) / most}%`;
  }
  setInterval(tick, 100);

  return (take, gone = false) => {
    const before = now;
    now = take?.state || "none";
    const left = now === "counting" ? take.count_s : now === "recording" ? take.left_s : null;
    until = left == null ? null : performance.now() + 1000 * left;
    most = take?.most_s || 1;
    if (!gone && before === "recording" && now !== "recording") ended();
    tick();
  };
}
