// How cameras and firing channels stand, one line each: beside the fins, so that a trial's effect is seen where one
// looks.

import { h, setText, setTone } from "../../kit/dom.js";
import { channelState } from "../../session/channel_state.js";
import { family } from "../../session/roles.js";

const SHORT = {
  unknown: "unknown, treat as armed",
  fired: "fired",
  armed: "ARMED",
  inhibited: "safe, inhibited",
  continuous: "safe",
  open: "no igniter seen",
};
const CHANNELS = [
  ["channel", "Motor", "board.inhibited"],
  ["recovery", "Chute"],
];

function cameraWords(view, name) {
  const powered = view.sample(`camera[${name}].powered`);
  if (powered.stale || !Number.isFinite(powered.value)) return ["unknown", "stale"];
  if (powered.value !== 1) return ["off", "none"];
  return [view.value(`camera[${name}].recording`) === 1 ? "on, recording" : "on", "none"];
}

function channelWords(view, kind, name, board) {
  const part = (what) => view.sample(`${kind}[${name}].${what}`);
  const told = { continuity: part("continuity"), armed: part("armed"), fired: part("fired") };
  const { state, tone } = channelState({ ...told, inhibited: board && view.sample(board) });
  return [SHORT[state], tone];
}

function State(title, read) {
  const word = h("span", { class: "part-word" });
  const el = h("li", { class: "part" }, h("span", { class: "part-name", text: title }), word);
  return {
    el,
    update(view) {
      const [text, tone] = read(view);
      setText(word, text);
      setTone(el, tone);
    },
  };
}

export function StatesList() {
  const el = h("ul", { class: "parts" });
  let lines = [];
  return {
    el,
    build(view) {
      const members = (kind, part) =>
        family(view.store.roles, kind).filter((one) => view.has(`${kind}[${one}].${part}`));
      lines = [
        ...members("camera", "powered").map((name) => State(`Camera ${name}`, (now) => cameraWords(now, name))),
        ...CHANNELS.flatMap(([kind, title, board]) =>
          members(kind, "armed").map((name) =>
            State(`${title} ${name}`, (now) => channelWords(now, kind, name, board)),
          ),
        ),
      ];
      el.replaceChildren(...lines.map((one) => one.el));
    },
    update(view) {
      for (const one of lines) one.update(view);
    },
  };
}
