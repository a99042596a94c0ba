// The body in space at the cursor. Watch draws it where there is room, Learn beside the strips.

import { boxOf, h, s, setAttr, setClass, setHidden, setText } from "../../kit/dom.js";
import { unknownWas } from "../../kit/silence_words.js";
import { attitudeShapes, attitudeWords } from "../../pictures/attitude.js";
import { pace, WORDS_MS } from "./pace.js";

const ROLES = ["w", "x", "y", "z"].map((part) => `attitude_quaternion.${part}`);

/** Made of one element; `update(view)` is idempotent. */
export function AttitudePanel(el, acts) {
  const level = s("path", { class: "attitude-level" });
  const body = s("g");
  const letters = s("g");
  const axes = s("g");
  const named = { class: "attitude-drawing", role: "img", "aria-label": "Attitude in space" };
  const drawing = s("svg", named, level, letters, body, axes);
  const words = h("p", { class: "attitude-words", testid: "attitude-words" });
  const none = h("p", { class: "absent", text: "No attitude in this vehicle's dictionary, so its body is not drawn." });
  el.append(drawing, words, none);
  const box = boxOf(drawing, acts.changed);
  const isDue = pace(acts.changed);
  const isToldAnew = pace(acts.changed, WORDS_MS);

  function draw(quaternion) {
    const size = Math.min(box.width, box.height);
    setAttr(drawing, "viewBox", `${-box.width / 2} ${-box.height / 2} ${box.width} ${box.height}`);
    const shapes = attitudeShapes(quaternion, size);
    setAttr(level, "d", shapes?.level ?? "");
    body.replaceChildren(
      ...(shapes?.faces ?? []).map(({ kind, d }) => s("path", { class: `attitude-face -${kind}`, d })),
    );
    letters.replaceChildren(
      ...(shapes?.letters ?? []).map(({ text, x, y }) => s("text", { class: "attitude-letter", x, y: y + 5, text })),
    );
    axes.replaceChildren(
      ...(shapes?.axes ?? []).flatMap(({ name, d, x, y }) => [
        s("path", { class: `attitude-axis -${name}`, d }),
        s("text", { class: "attitude-name", x, y: y + 5, text: name }),
      ]),
    );
  }

  return {
    update(view) {
      const able = ROLES.every((role) => view.has(role));
      for (const node of [drawing, words]) setHidden(node, !able);
      setHidden(none, able);
      if (!able || box.width === 0 || box.height === 0) return;
      const quaternion = ROLES.map((role) => view.value(role) ?? NaN);
      const { stale, age, value } = view.sample(ROLES[0]);
      const isLost = stale && value !== undefined;
      setClass(drawing, "-lost", isLost);
      if (isDue([...quaternion, box.width, box.height].join())) draw(quaternion);
      const told = attitudeWords(quaternion);
      const said = isLost ? unknownWas(told, age) : told;
      setText(words, said);
      if (isToldAnew(said)) setAttr(drawing, "aria-label", `Attitude in space. ${said}`);
    },
  };
}
