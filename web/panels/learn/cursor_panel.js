// Beside the strips at home, at the cursor: height and tilt as pictures, and what cameras and channels were.

import { builder, h, setText, setTone } from "../../kit/dom.js";
import { channelState } from "../../session/channel_state.js";
import { family } from "../../session/roles.js";

// A channel's own words are long; here they stand beside seven others.
const SHORT = {
  unknown: "unknown",
  fired: "fired",
  armed: "ARMED",
  inhibited: "safe, inhibited",
  continuous: "safe",
  open: "no igniter",
};
// Column and scope are pictures, and cost more than all texts of a place: while a hand drags the cursor they are drawn
// seven times a second, and again as soon as it rests. What plays by itself is drawn every time.
const DRAGGED_MS = 150;
const RESTED_MS = 40;
const FAMILIES = [
  ["channel", "Motor", "board.inhibited"],
  ["recovery", "Recovery"],
];

/** The panel made of a climb column and a tilt scope, which places.js hands in. */
export const cursorPanel = (Column, Scope) => (el, acts) => {
  const column = h("div", { class: "cursor-climb" });
  const scope = h("div", { class: "cursor-scope" });
  el.append(h("div", { class: "cursor-both" }, column, scope));
  const parts = [Column(column, acts), Scope(scope, acts)];
  let drawnAt = -Infinity;
  let rest = 0;
  let rested = true;

  function drawPictures(view) {
    const { now, replay } = view.page;
    if (rested || !replay || replay.clock.playing || now - drawnAt > DRAGGED_MS) {
      drawnAt = now;
      for (const part of parts) part.update(view);
    }
    if (rested) rested = false;
    else {
      clearTimeout(rest);
      rest = setTimeout(() => {
        rested = true;
        acts.changed();
      }, RESTED_MS);
    }
  }

  return {
    update(view) {
      drawPictures(view);
    },
  };
};

/** Every camera and channel in a word. */
export function CursorStates(el) {
  const states = h("ul", { class: "cursor-states", testid: "cursor-states" });
  el.append(states);
  const once = builder();
  let lines = [];

  function build(view) {
    lines = [
      ...family(view.store.roles, "camera")
        .filter((name) => view.has(`camera[${name}].powered`))
        .map((name) => line(named(view, "Camera", name, "camera", "powered"), (now) => cameraWords(now, name))),
      ...FAMILIES.flatMap(([kind, title, board]) =>
        family(view.store.roles, kind)
          .filter((name) => view.has(`${kind}[${name}].armed`))
          .map((name) =>
            line(named(view, title, name, kind, "continuity"), (now) => channelWords(now, kind, name, board)),
          ),
      ),
    ];
    states.replaceChildren(...lines.map((one) => one.el));
  }
  return {
    update(view) {
      if (!view.page.replay) return;
      once(view.store, () => build(view));
      for (const one of lines) one.update(view);
    },
  };
}

function line(title, read) {
  const word = h("span", { class: "cursor-word" });
  const el = h("li", {}, h("span", { class: "cursor-name", text: title }), word);
  return {
    el,
    update(view) {
      const [text, tone] = read(view);
      setText(word, text);
      setTone(el, tone);
    },
  };
}

function named(view, title, name, kind, part) {
  const label = view.store.roles.get(`${kind}[${name}].${part}`)?.column.label;
  return label ? `${title} ${name}, ${label}` : `${title} ${name}`;
}

function cameraWords(view, name) {
  const powered = view.sample(`camera[${name}].powered`);
  if (!powered || powered.stale || !Number.isFinite(powered.value)) return ["unknown", "stale"];
  if (powered.value !== 1) return ["off", "none"];
  return view.value(`camera[${name}].recording`) === 1 ? ["on, recording", "good"] : ["on", "good"];
}

function channelWords(view, kind, name, board) {
  const role = (part) => view.sample(`${kind}[${name}].${part}`);
  const { state, tone } = channelState({
    continuity: role("continuity"),
    armed: role("armed"),
    fired: role("fired"),
    inhibited: board && view.sample(board),
  });
  return [SHORT[state], tone];
}
