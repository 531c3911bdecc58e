// Recording a greeting, from the operator's page, and how the last ones stand.

import { ageOf, clock } from "./link.js";
import { fill, make } from "./rows.js";

const el = (id) => document.getElementById(id);
const STATES = {
  recording: "being recorded", kept: "kept", queued: "kept, waiting to be made",
  working: "being made", done: "ready", failed: "not made",
};

function takeRow(take) {
  const row = make("li", take.state);
  const length = take.length_s == null ? "" : `${Math.round(take.length_s)} s`;
  const stands = take.state === "working" && take.share != null
    ? `being made, ${Math.round(100 * take.share)} %` : STATES[take.state] || take.state;
  row.append(make("span", "number", take.id.split("-")[0]), make("time", "", take.time),
    make("span", "who", [take.who || "nobody by name", length].filter(Boolean).join(", ")),
    make("span", "what", [take.why || stands, ...(take.notes || [])].join("; ")));
  return row;
}

/**
 * The button that records and ends it.
 * @param tell posts words to a path and shows the answer
 * @param answer shows a sentence
 */
export function greeting(tell, answer) {
  let take = null;
  let until = null; // when the count or the recording ends, by this page's clock

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
      fill(el("takes"), now.takes || [], takeRow);
      el("greetings").hidden = !now.takes?.length;
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
