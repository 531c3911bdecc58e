// The last greetings, from the operator's page: how each stands, and the finished ones played.

import { token } from "./link.js";
import { fill, make } from "./rows.js";

const el = (id) => document.getElementById(id);
const STATES = {
  recording: "being recorded", kept: "kept", queued: "waiting", working: "being made",
  done: "ready", failed: "not made",
};
const number = (take) => take.id.split("-")[0];
const lasting = (take) => (take.length_s == null ? "" : `${Math.round(take.length_s)} s`);

const who = (take) => [take.who || "nobody by name", lasting(take)].filter(Boolean).join(", ");
const isComing = (take) => ["queued", "working"].includes(take.state);
// chosen: a poster that is not there yet comes soon; one that is gone is not asked for all the time.
const AGAIN_MS = 2000;
const NONE = "Each greeting appears here once it is made, and is played with a click.";
const NONE_YET = "None is made yet.";

/** Where a file of a take's greeting is; its address names nobody. */
const address = (take, name) =>
  `/greeting/${take.id}/${name}?making=${take.making ?? 0}&token=${encodeURIComponent(token)}`;

/** How a greeting stands, and when it may be expected. */
function stands(take) {
  if (take.why) return take.why;
  const words = STATES[take.state] || take.state;
  const share = take.state === "working" && take.share != null ? `, ${Math.floor(100 * take.share)} %` : "";
  return words + share + (take.expected ? `: ${take.expected}` : "");
}

/** Those that are coming as lines, the next one first; the others as cards, the newest first; the player. */
export function greetings() {
  const [player, film] = [el("player"), el("film")];
  const pictures = new Map(); // a card that is built anew keeps its picture, or it would blink
  const failed = new Map(); // pictures that could not be loaded, and when
  let shown = null; // the take that is played, and in which shape

  function picture(source) {
    if (!pictures.has(source)) {
      const image = make("img");
      image.alt = "";
      image.src = source;
      image.addEventListener("error", () => {
        image.hidden = true;
        failed.set(image, performance.now());
      });
      image.addEventListener("load", () => { image.hidden = false; });
      pictures.set(source, image);
    }
    return pictures.get(source);
  }

  /** Ask once more for pictures that could not be loaded a while ago. */
  function again() {
    for (const [image, when] of failed) {
      if (performance.now() - when < AGAIN_MS) continue;
      failed.delete(image);
      if (image.isConnected) image.src = image.src; // an address that is set is asked for anew
    }
  }

  /** One that is not made yet, as a line. */
  function line(take) {
    const row = make("li", take.state);
    row.append(make("span", "number", number(take)), make("span", "who", who(take)), said(take));
    return row;
  }

  /** What is said of one; where there is too little room a pointer that rests there shows all. */
  function said(take) {
    const what = make("span", "what", [stands(take), ...(take.notes || [])].join("; "));
    what.title = what.textContent;
    return what;
  }

  function card(take) {
    if (take.none) return make("li", "none", take.none);
    const row = make("li", take.state);
    const ready = take.shapes?.length > 0;
    const frame = make(ready ? "button" : "div", "poster");
    if (ready) {
      frame.type = "button";
      frame.setAttribute("aria-label", `Play the greeting of take ${number(take)}`);
      frame.append(picture(address(take, `${take.shapes[0]}.jpg`)), make("span", "play", "Play"));
      frame.addEventListener("click", () => open(take, take.shapes[0]));
    } else if (take.length_s) frame.append(picture(address(take, "view.jpg")));
    const words = make("div", "words");
    words.append(make("span", "number", number(take)), make("time", "", take.time),
      make("span", "who", who(take)), said(take));
    row.append(frame, words);
    return row;
  }

  function open(take, shape) {
    shown = { take, shape };
    el("playertitle").textContent =
      [`Greeting ${number(take)}`, take.who, lasting(take)].filter(Boolean).join(", ");
    const other = take.shapes.find((name) => name !== shape);
    el("playershape").hidden = !other;
    el("playershape").textContent = other ? `Show it ${other}` : "";
    el("playernotes").textContent = (take.notes || []).join("; ");
    el("playertrouble").textContent = "";
    film.poster = address(take, `${shape}.jpg`);
    film.src = address(take, `${shape}.mp4`);
    if (!player.open) player.showModal();
    film.focus(); // so that the space bar halts it
    film.play().catch(() => {}); // a browser that wants another press shows its own button
  }

  function close() {
    if (player.open) player.close();
  }
  el("playerclose").addEventListener("click", close);
  el("playershape").addEventListener("click", () => {
    open(shown.take, shown.take.shapes.find((name) => name !== shown.shape));
  });
  // Also by Escape: nothing goes on sounding behind the page.
  player.addEventListener("close", () => {
    film.pause();
    film.removeAttribute("src");
    film.load();
    shown = null;
  });
  film.addEventListener("error", () => {
    if (!shown) return;
    const again = `posewall greet ${number(shown.take)}`;
    el("playertrouble").textContent =
      `This greeting cannot be played here. Look for it in the event's folder films, or make it once more: ${again}`;
  });

  return {
    /** Whether a greeting lies over the page, so that keys are the player's. */
    get open() { return player.open; },

    /** How greetings stand by the newest state. */
    state(now) {
      const takes = now.takes || [];
      // What is played would be heard in what is recorded.
      if (["counting", "recording"].includes(now.take?.state)) close();
      if (shown && !takes.some((take) => take.id === shown.take.id)) close();
      const coming = takes.filter(isComing).sort((a, b) => (a.ahead ?? 0) - (b.ahead ?? 0));
      fill(el("coming"), coming, line);
      el("coming").hidden = !coming.length;
      const others = takes.filter((take) => !isComing(take));
      fill(el("takes"), others.length ? others : [{ none: takes.length ? NONE_YET : NONE }], card);
      const used = new Set([...el("takes").querySelectorAll("img")]);
      again();
      for (const [source, image] of pictures) if (!used.has(image)) pictures.delete(source);
    },
  };
}
