// The side view of the flight, live and at the cursor of a replay.

import { boxOf, h, s, setAttr, setClass, setHidden, setText } from "../../kit/dom.js";
import { bearingText } from "../../kit/format.js";
import { unitsName } from "../../kit/units.js";
import { MARKERS, profileShapes, profileWords } from "../../pictures/profile.js";
import { flightSide, wayFlown } from "./flight_side.js";
import { pace, WORDS_MS } from "./pace.js";

const SHAPES = { burnout: "M-5 0 H5", apogee: "M-9 0 H9", deployment: "M-7 3 A7 7 0 0 1 7 3 Z", landing: "M-9 0 H9" };

export function ProfilePanel(el, acts) {
  const part = (name) => s("path", { class: `profile-${name}` });
  const scales = s("g");
  const lines = s("g");
  const marks = s("g");
  const [band, claim, path, noses, rail, predicted, now] = [
    "band",
    "claim",
    "path",
    "noses",
    "rail",
    "predicted",
    "now",
  ].map(part);
  const drawing = s("svg", { class: "profile-drawing", role: "img" }, scales, band, lines, rail, claim, path, noses);
  drawing.append(predicted, marks, now);
  const note = h("p", { class: "profile-note" });
  const none = h("p", { class: "absent", text: "No height in this vehicle's dictionary, so there is no side view." });
  el.append(drawing, note, none);
  const box = boxOf(drawing, acts.changed);
  const way = wayFlown();
  const isDue = pace(acts.changed);
  const isToldAnew = pace(acts.changed, WORDS_MS);
  let scaled = "";
  let words = "";

  function draw(flight) {
    const shapes = profileShapes(flight, box);
    setAttr(drawing, "viewBox", `0 0 ${box.width} ${box.height}`);
    const key = JSON.stringify([shapes.heightUnit, shapes.heights, shapes.distances, shapes.lines]);
    if (key !== scaled) {
      scaled = key;
      scales.replaceChildren(...scaleNodes(shapes));
      lines.replaceChildren(...lineNodes(shapes));
    }
    for (const [node, d] of [
      [band, shapes.band],
      [claim, shapes.claim],
      [path, shapes.path],
      [noses, shapes.noses],
      [rail, shapes.rail],
    ])
      setAttr(node, "d", d);
    const top = shapes.predicted;
    setAttr(
      predicted,
      "d",
      top ? `M${top.x - 5} ${top.low} h10 M${top.x} ${top.low} V${top.high} M${top.x - 5} ${top.high} h10` : "",
    );
    marks.replaceChildren(...shapes.marks.flatMap(markNodes));
    setAttr(now, "d", shapes.now ? MARKERS[shapes.now.moving] : "");
    if (shapes.now) setAttr(now, "transform", `translate(${shapes.now.x.toFixed(1)} ${shapes.now.y.toFixed(1)})`);
    setClass(drawing, "-lost", flight.lost);
    setText(note, noteOf(flight));
    return profileWords(flight);
  }

  return {
    update(view) {
      const able = ["ground.height", "position.up", "altitude_baro", "ground.gnss_up"].some((role) => view.tells(role));
      setHidden(drawing, !able);
      setHidden(note, !able);
      setHidden(none, able);
      if (!able || box.width === 0 || box.height === 0) return;
      const { version, session } = view.store;
      const due = [
        version,
        session,
        view.cursor.live || view.cursor.rx,
        box.width,
        box.height,
        view.silence?.who,
        unitsName(),
      ].join();
      if (isDue(due)) words = draw(flightSide(view, way));
      if (isToldAnew(words)) setAttr(drawing, "aria-label", words);
    },
  };
}

function noteOf({ hasPlace, toward, foretold }) {
  if (!hasPlace) return "No position heard: height against time from lift-off.";
  const shade = foretold ? ". Shaded: foretold" : "";
  return `Right: ${bearingText(toward)}${shade}`;
}

function scaleNodes({ heights, distances, ground, left, right, unit, heightUnit }) {
  return [
    ...heights.flatMap(({ y, text }) => [
      s("line", { class: "profile-grid", x1: left, x2: right, y1: y, y2: y }),
      s("text", { class: "profile-scale", x: left - 6, y: y + 4, "text-anchor": "end", text }),
    ]),
    ...distances.flatMap(({ x, text, isPad }) => [
      s("line", { class: `profile-tick${isPad ? " -pad" : ""}`, x1: x, x2: x, y1: ground, y2: ground + 5 }),
      s("text", {
        class: "profile-scale",
        x,
        y: ground + 17,
        "text-anchor": "middle",
        text: isPad && unit === "m" ? "pad" : text,
      }),
    ]),
    s("line", { class: "profile-ground", x1: left, x2: right, y1: ground, y2: ground }),
    s("text", { class: "profile-scale", x: left - 6, y: 11, "text-anchor": "end", text: heightUnit }),
  ];
}

function lineNodes({ lines }) {
  return lines.flatMap(({ key, x1, x2, y, text, textX, textY, anchor }) => [
    s("line", { class: `profile-level -${key}`, x1, x2, y1: y, y2: y }),
    s("text", { class: "profile-scale", x: textX, y: textY, "text-anchor": anchor, text }),
  ]);
}

function markNodes({ key, text, x, y, labelX, labelY, anchor }) {
  const side = anchor === "start" ? -3 : 3;
  return [
    s("path", {
      class: `profile-mark -${key}`,
      d: SHAPES[key] ?? SHAPES.burnout,
      transform: `translate(${x.toFixed(1)} ${y.toFixed(1)})`,
    }),
    s("path", { class: "profile-leader", d: `M${x.toFixed(1)} ${y.toFixed(1)} L${labelX + side} ${labelY}` }),
    s("text", { class: "profile-label", x: labelX, y: labelY + 5, "text-anchor": anchor, text }),
  ];
}
