// The one connection of a page: pictures in, an acknowledgement out for each that was drawn.

export const token = document.querySelector('meta[name="token"]').content;

/** Ask the program for something; the answer, or an Error with a sentence for people. */
export async function ask(path, words) {
  let answer;
  try {
    answer = await fetch(path, {
      method: words === undefined ? "GET" : "POST",
      headers: { "content-type": "application/json", "x-posewall-token": token },
      body: words === undefined ? undefined : JSON.stringify(words),
    });
  } catch {
    throw new Error("The program does not answer. Is it still running?");
  }
  const said = await answer.json().catch(() => ({}));
  if (!answer.ok) throw new Error(said.sentence || "The program could not do that; see its log.");
  return said;
}

/** Seconds since an input event happened: the frame of the press is wanted, not of the answer. */
export function ageOf(event) {
  return Math.max(0, (performance.now() - event.timeStamp) / 1000);
}

/** Minutes and seconds; a second that has begun to run is still shown. */
export function clock(seconds) {
  const whole = Math.max(0, Math.ceil((seconds ?? 0) - 0.05));
  return `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")}`;
}

const SILENT_MS = 3000;

/**
 * Keep a canvas showing the newest picture.
 * @param canvas where to draw; takes the picture's own size
 * @param on { page, state(state), linked(bool), mirrored(): bool }; page is "desk" or "stage"
 */
export function follow(canvas, on) {
  const pen = canvas.getContext("2d", { alpha: false });
  let wait = 250;
  let heard = performance.now();
  let linked = false;

  const link = (is) => {
    if (is !== linked) on.linked(is);
    linked = is;
  };

  async function draw(data, socket) {
    const number = Number(new DataView(data).getBigUint64(0));
    try {
      const picture = await createImageBitmap(new Blob([data.slice(8)], { type: "image/jpeg" }));
      if (canvas.width !== picture.width || canvas.height !== picture.height) {
        canvas.width = picture.width;
        canvas.height = picture.height;
      }
      if (on.mirrored()) pen.setTransform(-1, 0, 0, 1, canvas.width, 0);
      else pen.setTransform(1, 0, 0, 1, 0, 0);
      pen.drawImage(picture, 0, 0);
      picture.close();
      canvas.dataset.number = number;
    } finally {
      if (socket.readyState === WebSocket.OPEN) socket.send(JSON.stringify({ drawn: number }));
    }
  }

  function connect() {
    const socket = new WebSocket(
      `ws://${location.host}/stream?page=${on.page}&token=${encodeURIComponent(token)}`);
    socket.binaryType = "arraybuffer";
    socket.onmessage = (event) => {
      heard = performance.now();
      wait = 250;
      link(true);
      if (typeof event.data === "string") on.state(JSON.parse(event.data).state);
      else draw(event.data, socket);
    };
    socket.onclose = (event) => {
      link(false);
      // A program that was started anew has a new token; the page must be loaded again for it.
      if (wait >= 1000) fetch(location.pathname).then((a) => a.ok && location.reload(), () => {});
      setTimeout(connect, wait);
      wait = Math.min(wait * 2, 2000);
    };
  }

  connect();
  setInterval(() => {
    if (performance.now() - heard > SILENT_MS) link(false);
  }, 500);
}
