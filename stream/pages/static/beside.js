// The frames beside a shot, fetched when they are first shown.

import { ask } from "./link.js";
import { make } from "./rows.js";

const number = (shot) => shot.id.split("-")[0];
const lasting = (shot) => `${shot.id}:${shot.frames}`; // some of them may be let go

/**
 * What is shown of the frames beside each shot.
 * @param on { use(shot, place), trouble(sentence), changed() }
 */
export function framesBeside(on) {
  const opened = new Map(); // by shot: whether somebody chose to see its frames, or not to
  const fetched = new Map(); // the frames of each; null while they are on their way

  async function fetchFrames(shot) {
    const key = lasting(shot);
    if (fetched.has(key)) return;
    fetched.set(key, null);
    try {
      fetched.set(key, (await ask(`/best?views=1&shot=${encodeURIComponent(shot.id)}`)).frames);
    } catch (error) {
      fetched.delete(key);
      opened.set(shot.id, false);
      on.trouble(error.message);
    }
    on.changed();
  }

  function frameButton(shot, frame) {
    const used = frame.place === shot.place;
    const button = make("button", used ? "frame used" : "frame");
    button.type = "button";
    button.setAttribute("aria-pressed", String(used));
    if (frame.view) {
      const view = make("img");
      view.alt = "";
      view.src = frame.view;
      button.append(view);
    }
    button.append(make("span", "mark", used ? "In the picture" : "Use this one"),
      make("span", "reasons", frame.words));
    button.addEventListener("click", () => used || on.use(shot, frame.place));
    return button;
  }

  return {
    /** Of the shots of a state, which ones show their frames: those of the newest, unless chosen. */
    mark(shots) {
      const newest = shots.find((shot) => shot.frames > 1)?.id;
      return shots.map((shot) => {
        if (!(shot.frames > 1)) return shot;
        const open = opened.get(shot.id) ?? shot.id === newest;
        if (open) fetchFrames(shot);
        return { ...shot, open, fetched: Boolean(fetched.get(lasting(shot))) };
      });
    },

    /** Put the frames of a marked shot under its row. */
    add(row, shot) {
      const button = make("button", "more", shot.open ? "Hide frames" : `Other frames (${shot.frames - 1})`);
      button.type = "button";
      button.setAttribute("aria-expanded", String(shot.open));
      button.setAttribute("aria-label", `${button.textContent} of shot ${number(shot)}`);
      button.addEventListener("click", () => {
        opened.set(shot.id, !shot.open);
        on.changed();
      });
      row.append(button);
      const frames = fetched.get(lasting(shot));
      if (!shot.open || !frames) return;
      const strip = make("div", "strip");
      strip.setAttribute("role", "group");
      strip.setAttribute("aria-label", `Frames of shot ${number(shot)}, the best first`);
      strip.append(...frames.map((frame) => frameButton(shot, frame)));
      row.append(strip);
    },
  };
}
