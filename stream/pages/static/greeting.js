// Recording a greeting, from the operator's page.

import { ageOf, clock } from "./link.js";
import { make } from "./rows.js";

const el = (id) => document.getElementById(id);
/**
 * The button that records and ends it.
 * @param tell posts words to a path and shows the answer
 * @param answer shows a sentence
 */
export function greeting(tell, answer) {
  let take = null;
  let until = null; // when the count or the recording ends, by this page's clock

  /** The event's own length is chosen, unless somebody has chosen another here. */
  function usually(seconds) {
    const select = el("longest");
    if (!seconds || select.dataset.usual === String(seconds)) return;
    const before = select.dataset.usual;
    select.dataset.usual = seconds;
    if (![...select.options].some((option) => Number(option.value) === seconds)) {
      const option = make("option", "", `${seconds} seconds`);
      option.value = seconds;
      const later = [...select.options].find((other) => Number(other.value) > seconds);
      select.insertBefore(option, later ?? null);
    }
    if (before === undefined || select.value === before) select.value = String(seconds);
  }

  function show() {
    const now = take?.state || "none";
    const left = until === null ? 0 : (until - performance.now()) / 1000;
    el("takebox").className = now;
    el("takewords").textContent = {
      counting: `Do not record (${Math.max(0, Math.ceil(left))})`,
      recording: `Stop (${clock(left)} left)`,
      keeping: "One moment",
    }[now] || "Record a greeting";
    const sound = take?.sound ? `sound: ${take.sound}` : "without sound";
    el("takenote").textContent = take?.trouble || (now === "none" ? `key t; ${sound}` : sound);
    el("takenote").classList.toggle("trouble", Boolean(take?.trouble));
    el("take").disabled = now === "keeping";
    for (const id of ["count", "longest", "before"]) el(id).disabled = now !== "none";
  }
  setInterval(() => until !== null && show(), 200);

  return {
    /** How takes stand by the newest state. */
    state(now) {
      take = now.take;
      const left = take?.state === "counting" ? take.count_s : take?.left_s;
      until = left == null ? null : performance.now() + 1000 * left;
      usually(take?.longest_s);
      show();
    },

    /** The program does not answer: whatever ran has ended with it. */
    gone() {
      take = until = null;
      show();
    },

    /** Begin one as it is set, or end the one that runs. */
    press(event) {
      const value = (id) => Number(el(id).value);
      if (["counting", "recording"].includes(take?.state)) {
        answer("Ending");
        return tell("/take", { do: "stop" });
      }
      answer(value("count") ? "Counting" : "Beginning");
      return tell("/take", {
        do: "start", count_s: value("count"), most_s: value("longest"), before_s: value("before"),
        age_s: ageOf(event),
      });
    },
  };
}
