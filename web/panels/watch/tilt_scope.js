// The tilt scope: the nose seen from above. The center is vertical; a weathercock, a cone or a corkscrew is one glance.

import { boxOf, h, setAttr, setHidden, setText } from "../../kit/dom.js";
import { bearing, fixed, notFinite } from "../../kit/format.js";
import { unknownValue } from "../../kit/silence_words.js";
import { color, onTheme } from "../../kit/theme.js";
import { EDGE_DEG, LIMIT_DEG, leanOf, scopePoint } from "./scope_point.js";

const DEG = 180 / Math.PI;
const TRACE_S = 6;
const BANDS = 8;
const BESIDE_PX = 28; // from a dot at the edge to the middle of what is written beside it

export function TiltScope(el, acts) {
  const canvas = h("canvas", { class: "scope-drawing", role: "img" });
  const words = h("p", { class: "scope-words" });
  const none = h("p", {
    class: "absent",
    text: "No tilt in this session: attitude is not in this vehicle's dictionary.",
  });
  el.append(canvas, words, none);
  const box = boxOf(canvas, acts.changed);
  const dial = h("canvas");
  let dirty = true;
  onTheme(() => {
    dirty = true;
  });
  let drawn = "";

  return {
    update(view) {
      const able = view.tells("ground.tilt");
      setHidden(canvas, !able);
      setHidden(words, !able);
      setHidden(none, able);
      if (!able || box.width === 0 || box.height === 0) return; // a box of no height has no picture
      const tilt = view.sample("ground.tilt");
      const azimuth = view.value("ground.azimuth");
      const side = `${box.width}x${box.height}`;
      const isLost = tilt.stale && tilt.value !== undefined;
      const tiltDeg = isLost ? undefined : tilt.value * DEG;
      const known = { pastTop: Boolean(view.moment("apogee")), landed: Boolean(view.moment("landing")) };
      const lean = leanOf(tiltDeg, { flying: view.inFlight, ...known });
      setText(words, isLost ? unknownValue(degreesText(tilt.value), tilt.age) : noseWords(tilt.value, azimuth, lean));
      setAttr(canvas, "aria-label", `Tilt scope: ${words.textContent}`);
      setAttr(canvas, "data-lean", isLost ? undefined : lean);
      const key = `${side} ${isLost ? "lost" : tilt.row} ${lean} ${view.store.session}`;
      if (key === drawn && !dirty) return;
      if (dirty || !drawn.startsWith(`${side} `)) drawDial(dial, box);
      drawn = key;
      dirty = false;
      draw(canvas, dial, box, isLost ? [] : trace(view), { tiltDeg, azimuth, lean });
    },
  };
}

const degreesText = (tilt) => `${fixed(tilt * DEG, 1)}\u00b0`;

const LEAN_WORDS = { past: `, past ${LIMIT_DEG}\u00b0`, look: `, past ${LIMIT_DEG}\u00b0`, after: "", within: "" };

function noseWords(tilt, azimuth, lean) {
  if (notFinite(tilt)) return "No attitude: not a number";
  const over = LEAN_WORDS[lean];
  const towards = Number.isFinite(tilt) && tilt * DEG >= 1 ? ` to ${bearing(azimuth).point}` : "";
  return `${degreesText(tilt)} from vertical${towards}${over}`;
}

function trace(view) {
  const { table: name, index } = view.store.roles.get("ground.tilt");
  const other = view.store.roles.get("ground.azimuth");
  const table = view.store.tables.get(name);
  const last = view.row(name);
  const points = [];
  for (let row = last; row >= 0 && table.t[last] - table.t[row] <= TRACE_S; row--) {
    points.push({
      tilt: table.columns[index][row] * DEG,
      azimuth: table.columns[other.index][row],
      past: table.t[last] - table.t[row],
    });
  }
  return other.table === name ? points.reverse() : [];
}

const LEAST_PX = 8;
const ROOMY_PX = 84; // of radius, so that the inner rings' words do not lie on each other
const radiusOf = ({ width, height }) => Math.max(LEAST_PX, Math.min(width, height) / 2 - 22);

/** A canvas as large as the box, its pen in the middle of it. */
function penOf(canvas, { width, height }) {
  const ratio = devicePixelRatio || 1;
  if (canvas.width !== Math.round(width * ratio)) canvas.width = Math.round(width * ratio);
  if (canvas.height !== Math.round(height * ratio)) canvas.height = Math.round(height * ratio);
  const pen = canvas.getContext("2d");
  pen.setTransform(ratio, 0, 0, ratio, 0, 0);
  pen.clearRect(0, 0, width, height);
  pen.translate(width / 2, height / 2);
  return pen;
}

/** Rings and letters, which stay while the nose moves: drawn once, laid under every picture. */
function drawDial(canvas, box) {
  rings(penOf(canvas, box), radiusOf(box));
}

function draw(canvas, dial, box, points, { tiltDeg, azimuth, lean }) {
  const pen = penOf(canvas, box);
  const radius = radiusOf(box);
  pen.drawImage(dial, -box.width / 2, -box.height / 2, box.width, box.height);
  tail(pen, points, radius);
  if (Number.isFinite(tiltDeg) && Number.isFinite(azimuth)) nose(pen, tiltDeg, azimuth, radius, lean);
  else
    label(
      pen,
      tiltDeg === undefined ? "unknown" : "no attitude",
      0,
      0,
      radius < ROOMY_PX ? 12 : 20,
      color("--warning-ink"),
    );
}

function rings(pen, radius) {
  for (let degrees = 10; degrees <= EDGE_DEG; degrees += 10) {
    const limit = degrees === LIMIT_DEG;
    pen.beginPath();
    pen.arc(0, 0, (degrees / EDGE_DEG) * radius, 0, 2 * Math.PI);
    pen.lineWidth = limit ? 2.5 : 1;
    pen.strokeStyle = color(limit ? "--ink" : "--line");
    pen.setLineDash(limit ? [7, 5] : []);
    pen.stroke();
    pen.setLineDash([]);
  }
  pen.strokeStyle = color("--line");
  pen.lineWidth = 1;
  pen.beginPath();
  pen.moveTo(-radius, 0);
  pen.lineTo(radius, 0);
  pen.moveTo(0, -radius);
  pen.lineTo(0, radius);
  pen.stroke();
  for (const [text, x, y] of [
    ["N", 0, -radius - 11],
    ["E", radius + 11, 0],
    ["S", 0, radius + 11],
    ["W", -radius - 11, 0],
  ])
    label(pen, text, x, y, 14, color("--ink"));
  const diagonal = Math.SQRT1_2;
  for (const degrees of radius < ROOMY_PX ? [LIMIT_DEG, 60] : [10, 20, LIMIT_DEG, 60]) {
    const r = (degrees / EDGE_DEG) * radius * diagonal;
    label(pen, `${degrees}\u00b0`, r + 9, r + 7, 12, color(degrees === LIMIT_DEG ? "--ink" : "--quiet"));
  }
}

// One path for each stretch of the trace: newer ones darker and wider.
function tail(pen, points, radius) {
  pen.lineCap = "round";
  pen.strokeStyle = color("--series-2");
  let band;
  const begin = (age, at) => {
    band = age;
    const share = (age + 0.5) / BANDS;
    pen.globalAlpha = 1 - 0.85 * share;
    pen.lineWidth = 1.5 + 2 * (1 - share);
    pen.beginPath();
    pen.moveTo(at.x, at.y);
  };
  let last;
  for (const { tilt, azimuth, past } of points) {
    const at = Number.isFinite(tilt) && Number.isFinite(azimuth) ? scopePoint(tilt, azimuth, radius) : undefined;
    const age = Math.min(BANDS - 1, Math.floor((past / TRACE_S) * BANDS));
    if (last && (!at || age !== band)) {
      if (at) pen.lineTo(at.x, at.y);
      pen.stroke();
    }
    if (at && (!last || age !== band)) begin(age, at);
    else if (at) pen.lineTo(at.x, at.y);
    last = at;
  }
  if (last) pen.stroke();
  pen.globalAlpha = 1;
}

// Red past the limit on the way up, amber before lift-off; after the top a ring, since its lean no longer counts.
const DOTS = { past: "--warning", look: "--caution", after: "--sheet", within: "--ink" };

function nose(pen, tiltDeg, azimuth, radius, lean) {
  const { x, y, clamped } = scopePoint(tiltDeg, azimuth, radius);
  pen.beginPath();
  pen.arc(x, y, radius < ROOMY_PX ? 5 : 8, 0, 2 * Math.PI); // small enough that the letter at the edge can be read
  pen.fillStyle = color(DOTS[lean]);
  pen.fill();
  pen.lineWidth = lean === "after" ? 3 : 2;
  pen.strokeStyle = color(lean === "after" || lean === "look" ? "--ink" : "--sheet");
  pen.stroke();
  const inward = Math.min(0.66, 1 - BESIDE_PX / radius);
  if (clamped) label(pen, `${Math.round(tiltDeg)}\u00b0`, x * inward, y * inward, 18, color("--ink"));
}

function label(pen, text, x, y, size, ink) {
  pen.font = `600 ${size}px ${color("--face") || "sans-serif"}`;
  pen.textAlign = "center";
  pen.textBaseline = "middle";
  pen.lineWidth = 4;
  pen.strokeStyle = color("--sheet");
  pen.strokeText(text, x, y);
  pen.fillStyle = ink;
  pen.fillText(text, x, y);
}
