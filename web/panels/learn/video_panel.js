// Onboard videos beside the data: files of this machine, never uploaded, shown at the cursor's moment.

import { h, setHidden, setText } from "../../kit/dom.js";
import { fixed, tClock } from "../../kit/format.js";

const SLOTS = 2;
const FRAME_S = 1 / 30;
const JUMP_S = 0.25;
const PULL_PER_S = 4;
const PASS_FROM_S = -0.2;
const PASS_TO_S = 2;
const SLOW = 0.25;

/** Video second that belongs to a timeline second: `liftOffAt` is the video's own second of the lift-off frame. */
export function videoTime(t, liftOffT, liftOffAt) {
  return t - liftOffT + liftOffAt;
}

/**
 * How to bring a playing video to its place: a seek when it is far off, else a rate a little faster or slower than the
 * replay's, so that nothing stutters.
 */
export function steer(target, now, speed) {
  const off = target - now;
  if (Math.abs(off) > JUMP_S) return { seek: target, rate: speed };
  return { rate: speed * (1 + Math.max(-0.5, Math.min(0.5, off * PULL_PER_S))) };
}

/**
 * A second inside the frame that shows `target`: frames are shown from their own time on, so aim at the frame's middle.
 */
export function insideFrame(target, frame = FRAME_S) {
  return (Math.floor(target / frame + 1e-6) + 0.5) * frame;
}

// Of the whole session: the film must stand still under a cursor that goes back before lift-off.
function liftOffOf(view) {
  return view.store.journal.state("moment", "lift_off")?.body?.t;
}

export function VideoPanel(el, acts) {
  const slots = Array.from({ length: SLOTS }, (_, i) => new Slot(i, acts));
  const pass = h("button", {
    type: "button",
    class: "act",
    testid: "video-pass",
    hidden: true,
    text: "Quarter speed, first two seconds",
  });
  const none = h("p", {
    class: "absent",
    text: "Open a session; then pick the onboard videos of that flight. They stay on this machine.",
  });
  const body = h("div", { class: "videos", hidden: true }, ...slots.map((slot) => slot.node));
  el.append(none, body, pass);
  let passing = false;
  let view;
  pass.addEventListener("click", () => {
    const liftOff = view && liftOffOf(view);
    if (liftOff === undefined) return;
    passing = true;
    acts.replay("pause");
    acts.replay("speed", SLOW);
    acts.replay("seek", liftOff + PASS_FROM_S);
    acts.replay("toggle");
  });
  return {
    update(now) {
      view = now;
      const { replay } = view.page;
      const liftOff = liftOffOf(view);
      setHidden(none, Boolean(replay));
      setHidden(body, !replay);
      setHidden(pass, !replay || liftOff === undefined || !slots.some((slot) => slot.url));
      if (!replay) {
        for (const slot of slots) slot.rest();
        return;
      }
      if (passing && (view.cursor.t > liftOff + PASS_TO_S || !replay.clock.playing)) {
        if (replay.clock.playing) acts.replay("pause");
        passing = false;
      }
      // The zero of a flight nobody saw lift off is the session's own.
      for (const slot of slots) slot.update(replay, view.cursor.t, liftOff ?? 0);
    },
  };
}

class Slot {
  constructor(number, acts) {
    this.number = number;
    this.acts = acts;
    this.liftOffAt = 0;
    this.frame = FRAME_S;
    this.setting = false;
    this.before = null;
    this.key = null;
    this.lastFrame = null;
    const name = `Video ${number + 1}`;
    this.input = h("input", {
      type: "file",
      accept: "video/*",
      testid: `video-file-${number + 1}`,
      "aria-label": `${name}: choose a file`,
      on: { change: () => this.choose() },
    });
    this.video = h("video", {
      class: "film",
      testid: `video-${number + 1}`,
      muted: true,
      playsinline: true,
      preload: "auto",
      "aria-label": name,
    });
    this.video.muted = true;
    this.slider = h("input", {
      type: "range",
      min: "0",
      max: "1",
      step: "any",
      value: "0",
      "aria-label": `${name}: look for the lift-off frame`,
      testid: `video-slider-${number + 1}`,
      on: { input: () => this.look(Number(this.slider.value)) },
    });
    this.button = (text, testid, act) =>
      h("button", { type: "button", class: "act -small", text, testid: `${testid}-${number + 1}`, on: { click: act } });
    this.undoButton = this.button("Undo the mark", "video-undo", () => this.undo());
    this.set = this.button("Find the lift-off frame", "video-set", () => {
      this.setting = !this.setting;
      this.video.pause();
      this.acts.changed();
    });
    this.here = this.button("This frame is lift-off", "video-here", () => this.mark());
    this.setRow = h(
      "div",
      { class: "video-row" },
      this.slider,
      this.button("\u25c4 frame", "video-back", () => this.look(this.video.currentTime - this.frame)),
      this.button("frame \u25ba", "video-on", () => this.look(this.video.currentTime + this.frame)),
      this.here,
    );
    this.says = h("p", { class: "video-says", testid: `video-says-${number + 1}` });
    this.shown = h(
      "div",
      {},
      this.video,
      this.says,
      h("div", { class: "video-row" }, this.set, this.undoButton),
      this.setRow,
    );
    this.node = h(
      "div",
      { class: "video-slot" },
      h("label", { class: "video-pick" }, `${name} `, this.input),
      this.shown,
    );
    this.video.addEventListener("loadedmetadata", () => {
      this.slider.max = String(this.video.duration || 1);
      this.acts.changed();
    });
    this.video.addEventListener("seeked", () => this.acts.changed());
    this.video.addEventListener("error", () => {
      this.trouble = "This browser cannot play that file.";
      this.acts.changed();
    });
    this.watchFrames();
  }

  // The file's own frame rate, from the times of the frames that are really shown.
  watchFrames() {
    if (!this.video.requestVideoFrameCallback) return;
    const seen = (_, { mediaTime }) => {
      const step = this.lastFrame === null ? 0 : mediaTime - this.lastFrame;
      if (step > 1 / 250 && step < 1 / 9 && step < this.frame * 1.6) this.frame = step;
      this.lastFrame = mediaTime;
      this.video.requestVideoFrameCallback(seen);
    };
    this.video.requestVideoFrameCallback(seen);
  }

  choose() {
    const file = this.input.files[0];
    if (this.url) URL.revokeObjectURL(this.url);
    this.url = file ? URL.createObjectURL(file) : null;
    this.trouble = null;
    this.file = file ? `${file.name} ${file.size}` : null;
    this.key = null;
    if (this.url) this.video.src = this.url;
    else this.video.removeAttribute("src");
    this.acts.changed();
  }

  /** The mark is remembered with the session and the file, on this machine. */
  recall(session) {
    const key = `blockhouse.video.${session}.${this.file}`;
    if (key === this.key) return;
    this.key = key;
    const known = Number.parseFloat(localStorage.getItem(key) ?? "");
    this.liftOffAt = Number.isFinite(known) ? known : 0;
    this.setting = !Number.isFinite(known);
  }

  mark() {
    if (this.key === null) return;
    this.before = this.liftOffAt;
    this.liftOffAt = Math.floor(this.video.currentTime / this.frame + 1e-6) * this.frame;
    localStorage.setItem(this.key, String(this.liftOffAt));
    this.setting = false;
    this.acts.changed();
  }

  /** Take back the last mark. */
  undo() {
    if (this.before === null) return;
    this.liftOffAt = this.before;
    this.before = null;
    localStorage.setItem(this.key, String(this.liftOffAt));
    this.acts.changed();
  }

  look(seconds) {
    this.video.currentTime = Math.max(0, Math.min(this.video.duration || 0, seconds));
  }

  rest() {
    if (!this.video.paused) this.video.pause();
  }

  update(replay, t, liftOffT) {
    setHidden(this.shown, !this.file);
    if (!this.file) return;
    this.recall(replay.name);
    setHidden(this.setRow, !this.setting);
    setHidden(this.undoButton, this.setting || this.before === null);
    setText(this.set, this.setting ? "Keep the mark as it was" : "Find the lift-off frame");
    const target = videoTime(t, liftOffT, this.liftOffAt);
    const inside = target >= 0 && target <= (this.video.duration || 0);
    setText(
      this.says,
      this.trouble ??
        (this.setting
          ? `Looking for lift-off: ${fixed(this.video.currentTime, 3)} s of the video`
          : inside
            ? `${tClock(t - liftOffT)} is ${fixed(target, 2)} s of the video`
            : "The video does not reach this moment."),
    );
    if (this.setting) {
      this.slider.value = String(this.video.currentTime);
      return;
    }
    this.follow(replay.clock, target, inside);
  }

  follow({ playing, direction, speed }, target, inside) {
    const { video } = this;
    if (!(video.readyState >= 1)) return;
    if (playing && direction > 0 && inside && speed <= 16) {
      const { seek, rate } = steer(target, video.currentTime, speed);
      if (seek !== undefined && !video.seeking) video.currentTime = seek;
      video.playbackRate = Math.max(0.0625, Math.min(16, rate));
      if (video.paused) video.play().catch(() => {});
      return;
    }
    this.rest();
    const wanted = Math.max(0, Math.min(video.duration || 0, insideFrame(target, this.frame)));
    if (!video.seeking && Math.abs(video.currentTime - wanted) > this.frame * 0.45) video.currentTime = wanted;
  }
}
