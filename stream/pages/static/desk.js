import { framesBeside } from "./beside.js";
import { greeting } from "./greeting.js";
import { greetings } from "./greetings.js";
import { ageOf, ask, follow } from "./link.js";
import { fill, make } from "./rows.js";

const el = (id) => document.getElementById(id);
const [canvas, find, found] = [el("picture"), el("find"), el("found")];
let state = null;
let linked = false;
let hits = [];
let picked = 0;

function answer(text, trouble = false) {
  el("answer").textContent = text;
  el("answer").classList.toggle("trouble", trouble);
}

const NO_NAME = "name not shown in pictures";

function personRow(person) {
  const row = make("li");
  if (!person.number) {
    row.append(make("span", "nobody", "Nobody by name: the pictures go under their number"));
    return row;
  }
  const name = make("span", "name", person.name);
  name.append(make("span", "group", [person.number, person.group].filter(Boolean).join(", ")));
  if (person.no_name) name.append(make("span", "hidden", NO_NAME));
  const away = make("button", "", "Remove");
  away.type = "button";
  away.setAttribute("aria-label", `Remove ${person.name}`);
  away.addEventListener("click", () =>
    setNext(state.next.filter((p) => p.number !== person.number).map((p) => p.number)));
  row.append(name, away);
  return row;
}

const WHY = { usual: "the usual one", ordered: "ordered", chosen: "chosen by hand" };

function showDesign() {
  const names = state.templates || [];
  const select = el("template");
  fill(select, names, (name) => make("option", "", name));
  // A list that is open stays as it is, until what is shown in truth is another one.
  if (state.template && (document.activeElement !== select || select.dataset.shown !== state.template)) {
    select.value = state.template;
  }
  select.dataset.shown = state.template || "";
  el("pick").hidden = names.length < 2;
  el("why").textContent = (WHY[state.why] || "") + (state.ready === false ? ", getting ready" : "");
  el("moved").textContent = state.moved || "As designed";
  el("designed").disabled = !state.moved;
}

const STATES = {
  choosing: "kept, its best frame is being chosen",
  still: "kept, the camera's still is awaited",
  kept: "kept", queued: "kept, waiting for its picture", working: "picture in work",
  done: "picture ready", failed: "picture failed",
};

function stillsWords(stills) {
  if (!stills) return "";
  if (stills.waiting === 0) return "then trigger the camera";
  return stills.waiting === 1 ? "1 still awaited" : `${stills.waiting} stills awaited`;
}

function shotRow(shot) {
  const row = make("li", shot.none ? "none" : shot.state);
  if (shot.none) {
    row.textContent = "None yet. Each shot appears here once it is safe on disk.";
    return row;
  }
  row.append(make("span", "number", shot.id.split("-")[0]), make("time", "", shot.time), make("span", "who", shot.who || "nobody by name"),
    make("span", "what", [shot.why || STATES[shot.state] || shot.state, ...(shot.notes || [])].join("; ")));
  if (shot.looked_at && shot.state === "choosing")
    row.querySelector(".what").append(` (${shot.looked_at[0]} of ${shot.looked_at[1]} looked at)`);
  if (shot.frames > 1) beside.add(row, shot);
  if (shot.template && shot.template !== shot.usual)
    row.querySelector(".who").append(make("span", "also", `in ${shot.template}`));
  return row;
}

const beside = framesBeside({
  use: (shot, place) => tell("/best", { shot: shot.id, place }),
  trouble: (sentence) => answer(sentence, true),
  changed: () => show(),
});
const takes = greeting((path, words) => tell(path, words), answer);
const films = greetings();

function figuresWords(now) {
  if (!now) return "";
  const behind = Math.round(now.shown_ms[0] || now.delay_ms[0]);
  const errors = now.errors ? `, ${now.errors} errors` : "";
  const rate = now.fps_out.toFixed(0);
  return `${rate} ${rate === "1" ? "picture" : "pictures"} a second, ${behind} ms behind, ` +
    `${now.dropped} passed over${errors}, on ${now.device}`;
}

/** What the last minutes were like: how late the latest were, and the longest time without one. */
function lastingWords(now) {
  if (!now?.lasting_ms[0]) return "";
  const [half, most] = now.lasting_ms.map(Math.round);
  return `Last ten minutes: usually ${half} ms a picture, rarely over ${most} ms; ` +
    `longest pause ${Math.round(now.gap_ms)} ms`;
}

/** What the picture lacks just now, as one sentence. */
function qualityWords(now) {
  const words = [now.quality && `${now.quality} to keep up`, now.making_ready].filter(Boolean).join("; ");
  return words && `${words[0].toUpperCase()}${words.slice(1)}.`;
}

function show() {
  const live = linked && state?.source.state === "live";
  el("source").className = live ? "live" : linked && state?.source.state === "starting" ? "" : "trouble";
  el("view").classList.toggle("away", !live);
  if (!linked || !state) {
    el("sourcewords").textContent = "The program does not answer. Is it still running?";
    return;
  }
  el("sourcewords").textContent = state.source.sentence;
  el("event").textContent = state.event;
  document.title = `Desk, ${state.event}`;
  el("figures").textContent = figuresWords(state.figures);
  el("figures").title = state.line;
  el("lasting").textContent = lastingWords(state.figures);
  el("quality").textContent = qualityWords(state);
  // What was just answered beside the shots is not said twice.
  const troubles = state.troubles.filter((text) => text !== el("answer").textContent);
  fill(el("troubles"), troubles, (text) => make("p", "", text));
  fill(el("people"), state.next.length ? state.next : [{}], personRow);
  const shots = beside.mark(state.shots.map((shot) => ({ ...shot, usual: state.usual })));
  fill(el("shots"), shots.length ? shots : [{ none: true }], shotRow);
  showDesign();
  // Of a tethered camera's stills there are no last seconds.
  el("best").hidden = Boolean(state.stills);
  el("platenote").textContent = state.plate.sentence;
  el("platenote").classList.toggle("trouble", state.plate.state === "gone");
  el("platedrop").hidden = state.plate.state !== "fits";
  el("grabnote").textContent = stillsWords(state.stills) || "space bar";
  el("rosternote").textContent = state.roster
    ? "" : "The event has no roster; pictures go under their number.";
}

follow(canvas, {
  page: "desk",
  mirrored: () => false,
  linked(is) {
    linked = is;
    if (!is) takes.gone();
    show();
  },
  state(now) {
    state = now;
    takes.state(now);
    films.state(now);
    show();
  },
});

async function grab(event, more = {}) {
  answer(more.after_s ? "Counting" : "Keeping");
  try {
    const kept = await ask("/grab", { age_s: ageOf(event), ...more });
    answer(kept.sentence);
  } catch (error) {
    answer(error.message, true);
  }
}

el("grab").addEventListener("click", (event) => grab(event));
el("grab3").addEventListener("click", (event) => grab(event, { after_s: 3 }));
// As many seconds as usual.
const best = (event) => grab(event, { best_s: 0 });
el("best").addEventListener("click", best);
el("take").addEventListener("click", takes.press);

function plateAsk(open) {
  el("plateask").hidden = !open;
  el("plate").setAttribute("aria-expanded", String(open));
  if (open) el("plateyes").focus();
}
async function plate(words) {
  plateAsk(false);
  // The next press is a grab: with the focus on this button, the space bar would take a plate again.
  document.activeElement?.blur();
  try {
    answer((await ask("/plate", words)).sentence);
  } catch (error) {
    answer(error.message, true);
  }
}
el("plate").addEventListener("click", () => plateAsk(el("plateask").hidden));
el("plateno").addEventListener("click", (event) => {
  plateAsk(false);
  if (!event.detail) el("plate").focus();
});
el("plateyes").addEventListener("click", (event) => plate({ age_s: ageOf(event) }));
el("platedrop").addEventListener("click", () => plate({ drop: true }));

async function tell(path, words) {
  try {
    answer((await ask(path, words)).sentence);
    return true;
  } catch (error) {
    answer(error.message, true);
    return false;
  }
}
// After a click the space bar is to grab again; who works with the keyboard stays where they are.
addEventListener("click", (event) => {
  if (event.detail) event.target.closest?.("button")?.blur(); // 0 by keyboard
});
let pointed = false;
el("template").addEventListener("pointerdown", () => { pointed = true; });
el("template").addEventListener("keydown", () => { pointed = false; });
el("template").addEventListener("change", async (event) => {
  if (pointed) event.target.blur();
  // What was refused is not left standing there, whoever has the focus.
  if (!(await tell("/template", { template: event.target.value })))
    event.target.value = state.template ?? "";
});
el("place").addEventListener("click", (event) => {
  const button = event.target.closest("button");
  if (!button) return;
  const { right, down, scale } = button.dataset;
  tell("/move", { right: Number(right || 0), down: Number(down || 0), scale: Number(scale || 1) });
});

const setNext = (people) => tell("/next", { people });

function closeFound() {
  found.hidden = true;
  found.replaceChildren();
  hits = [];
  find.setAttribute("aria-expanded", "false");
  find.removeAttribute("aria-activedescendant");
}

function mark() {
  [...found.children].forEach((row, i) => row.setAttribute("aria-selected", String(i === picked)));
  find.setAttribute("aria-activedescendant", `hit${picked}`);
  found.children[picked]?.scrollIntoView({ block: "nearest" });
}

/** One person, or one more beside those already there. */
function choose(person, together) {
  const before = together ? state.next.map((p) => p.number) : [];
  setNext([...before.filter((n) => n !== person.number), person.number]);
  find.value = "";
  closeFound();
}

let asked = 0;
find.addEventListener("input", async () => {
  const words = find.value.trim();
  const turn = ++asked;
  if (!words) return closeFound();
  let people = [];
  try {
    people = (await ask(`/people?find=${encodeURIComponent(words)}`)).people;
  } catch (error) {
    return answer(error.message, true);
  }
  if (turn !== asked) return; // a later letter was typed meanwhile
  hits = people;
  picked = 0;
  found.replaceChildren(...hits.map((person, i) => {
    const row = make("li");
    row.id = `hit${i}`;
    row.setAttribute("role", "option");
    row.append(make("span", "number", person.number), make("span", "", person.name),
      make("span", "group", person.group));
    row.addEventListener("click", (event) => choose(person, event.shiftKey));
    if (state?.next.length) {
      const also = make("button", "also", "As well");
      also.type = "button";
      also.setAttribute("aria-label", `${person.name} as well`);
      also.addEventListener("click", (event) => {
        event.stopPropagation();
        choose(person, true);
      });
      row.append(also);
    }
    return row;
  }));
  found.hidden = hits.length === 0;
  find.setAttribute("aria-expanded", String(hits.length > 0));
  if (hits.length) mark();
  el("rosternote").textContent = hits.length
    ? "Enter: this one. Shift and Enter: this one as well." : "Nobody of the roster fits.";
});

find.addEventListener("keydown", (event) => {
  if (event.key === "ArrowDown" || event.key === "ArrowUp") {
    event.preventDefault();
    picked = Math.min(Math.max(picked + (event.key === "ArrowDown" ? 1 : -1), 0), hits.length - 1);
    mark();
  } else if (event.key === "Enter" && !found.hidden && hits[picked]) {
    event.preventDefault();
    choose(hits[picked], event.shiftKey);
    if (!event.shiftKey) find.blur(); // so that the space bar grabs
  } else if (event.key === "Escape") {
    find.value = "";
    closeFound();
    find.blur();
  }
});
addEventListener("pointerdown", (event) => {
  if (!el("who").contains(event.target)) closeFound();
  if (!el("platebox").contains(event.target)) plateAsk(false);
});

addEventListener("keydown", (event) => {
  if (event.repeat || event.ctrlKey || event.metaKey || event.altKey || films.open) return;
  if (event.key === "Escape") return plateAsk(false);
  // Letters and Space keep their meaning in the field and on a focused button.
  if (event.target instanceof HTMLInputElement || event.target instanceof HTMLButtonElement ||
    event.target instanceof HTMLSelectElement) return;
  if (event.key === " " || event.key === "PageDown") {
    event.preventDefault();
    grab(event);
  } else if (event.key === "p") plateAsk(true);
  else if (event.key === "b" && !el("best").hidden) best(event);
  else if (event.key === "t") takes.press(event);
  else if (event.key === "n" || event.key === "/") {
    event.preventDefault();
    find.focus();
  }
});
show();
