// The climb column: height against the ladder of what happens at which height.

import { boxOf, h, s, setAttr, setClass, setHidden, setText } from "../../kit/dom.js";
import { lengthText } from "../../kit/format.js";
import { unknownValue } from "../../kit/silence_words.js";
import { shownUnit, unitFactor, unitsName } from "../../kit/units.js";
import { MARKERS } from "../../pictures/profile.js";
import { spread } from "../../pictures/spread.js";
import { motionOf } from "./flight_side.js";

const STEPS_M = [1, 2, 5, 10, 20, 25, 50, 100, 200, 250, 500, 1000, 2000, 5000, 10000];
const TOP_PX = 22;
const BOTTOM_PX = 26;
const BAR_X = 48;
const BAR_PX = 30;
const LABEL_PX = 34;

/** Top of the scale: a round number that leaves air above everything, so that it jumps rarely. */
function scaleTop(greatest) {
  const step = STEPS_M.find((one) => greatest * 1.12 <= one * 8) ?? STEPS_M[STEPS_M.length - 1];
  return { step, top: Math.max(step * 2, Math.ceil((greatest * 1.12) / step) * step) };
}

/** The rungs: everything this vehicle and this flight say about a height. */
function rungs(view) {
  const sheet = view.store.dictionary.sheet ?? {};
  const moment = (key) => view.moment(key)?.height_m;
  const list = [
    // `rank` says whose words stay where there is no room for all of them.
    { id: "rail", name: "Rail exit", height: sheet.rail_length_m, kind: "plan", rank: 6 },
    { id: "gate", name: "Control gate", height: view.value("control.gate.altitude"), kind: "plan", rank: 2 },
    { id: "expected", name: "Expected apogee", height: sheet.expected_apogee_m, kind: "plan", rank: 4 },
    {
      id: "predicted",
      name: "Predicted apogee",
      height: view.moment("apogee") ? undefined : view.value("ground.predicted_apogee"),
      kind: "plan",
      rank: 1,
    },
    { id: "burnout", name: "Burnout", height: moment("burnout"), kind: "done", rank: 5 },
    { id: "apogee", name: "Apogee", height: moment("apogee"), kind: "done", rank: 0 },
    { id: "deployment", name: "Deployment", height: deploymentHeight(view), kind: "done", rank: 3 },
  ];
  return list.filter(({ height }) => Number.isFinite(height) && height >= 0);
}

function deploymentHeight(view) {
  const moment = view.moment("deployment");
  if (!moment || moment.on === false) return undefined;
  return moment.height_m ?? view.valueAt("ground.height", moment.t);
}

export function ClimbColumn(el, acts) {
  const svg = s("svg", { class: "climb-drawing", role: "img" });
  const parts = { ticks: s("g"), rungs: s("g") };
  const bar = s("rect", { class: "bar", x: BAR_X, width: BAR_PX });
  const fill = s("rect", { class: "fill", x: BAR_X, width: BAR_PX });
  const most = s("line", { class: "most", x1: BAR_X - 6, x2: BAR_X + BAR_PX + 6 });
  const vehicle = s("path", { class: "vehicle" });
  const ground = s("line", { class: "ground" });
  svg.append(parts.ticks, bar, fill, ground, most, parts.rungs, vehicle);
  const say = h("p", { class: "climb-says" });
  el.append(svg, say);
  const box = boxOf(svg, acts.changed);
  let drawn = "";

  return {
    update(view) {
      const role = ["ground.height", "position.up", "altitude_baro"].find((name) => view.tells(name));
      setHidden(svg, !role);
      if (role && box.width === 0) return;
      if (!role) {
        setText(say, "No height in this vehicle's dictionary.");
        return;
      }
      const { value: height, stale, age } = view.sample(role);
      const greatest = view.greatestInFlight(role);
      const ladder = rungs(view);
      const per = unitFactor("m");
      const { top, step } = scaleTop(per * Math.max(50, greatest ?? 0, ...ladder.map((rung) => rung.height)));
      const y = (meters) =>
        box.height - BOTTOM_PX - (Math.max(0, Math.min(top, meters * per)) / top) * (box.height - BOTTOM_PX - TOP_PX);
      const key = JSON.stringify([
        box,
        top,
        unitsName(),
        ladder.map((rung) => [rung.id, Math.round(rung.height * 10)]),
      ]);
      if (key !== drawn) {
        drawn = key;
        drawFrame(svg, parts, { bar, ground }, box, y, { top, step, per }, ladder);
      }
      drawVehicle({ fill, most, vehicle }, y, height, greatest, motionOf(view));
      const isLost = stale && height !== undefined;
      setClass(svg, "-lost", isLost);
      const lost = isLost ? unknownValue(lengthText(height), age) : "";
      setAttr(svg, "aria-label", lost || `${lengthText(height)} above the pad, scale to ${top} ${shownUnit("m")}`);
      setText(say, lost);
    },
  };
}

/** `top` and `step` as the person reads them, `per` of these to a meter. */
function drawFrame(svg, parts, { bar, ground }, box, y, { top, step, per }, ladder) {
  setAttr(svg, "viewBox", `0 0 ${box.width} ${box.height}`);
  setAttr(bar, "y", y(top / per));
  setAttr(bar, "height", y(0) - y(top / per));
  for (const [name, value] of [
    ["x1", BAR_X - 8],
    ["x2", box.width],
    ["y1", y(0)],
    ["y2", y(0)],
  ])
    setAttr(ground, name, value);
  const ticks = [];
  for (let mark = 0; mark <= top; mark += step) {
    const at = y(mark / per);
    ticks.push(s("line", { class: "tick", x1: BAR_X - 8, x2: BAR_X, y1: at, y2: at }));
    ticks.push(s("text", { class: "tick-text", x: BAR_X - 12, y: at + 5, "text-anchor": "end", text: String(mark) }));
  }
  parts.ticks.replaceChildren(
    ...ticks,
    s("text", { class: "tick-text", x: BAR_X - 12, y: box.height - 6, "text-anchor": "end", text: shownUnit("m") }),
  );
  parts.rungs.replaceChildren(...drawRungs(box, y, ladder));
}

/** The rungs that have room for their words in so many pixels, the highest first; the others are lines only. */
export function withWords(ladder, room) {
  const fit = Math.max(1, Math.floor(room / LABEL_PX) + 1);
  const told = [...ladder].sort((a, b) => a.rank - b.rank).slice(0, fit);
  return told.sort((a, b) => b.height - a.height);
}

function drawRungs(box, y, ladder) {
  const right = BAR_X + BAR_PX;
  const [low, high] = [TOP_PX, box.height - BOTTOM_PX - 22];
  const told = withWords(ladder, high - low);
  const places = spread(
    told.map((rung) => y(rung.height)),
    LABEL_PX,
    low,
    high,
  );
  return [...ladder].flatMap((rung) => {
    const at = y(rung.height);
    const label = places[told.indexOf(rung)];
    if (label === undefined) return [s("path", { class: `rung -${rung.kind}`, d: `M${BAR_X} ${at} H${right + 4}` })];
    return [
      s("path", {
        class: `rung -${rung.kind}`,
        d: `M${BAR_X} ${at} H${right + 4} L${right + 18} ${label} H${right + 24}`,
      }),
      s("text", { class: "rung-name", x: right + 28, y: label - 1, text: rung.name }),
      s("text", {
        class: "rung-height",
        x: right + 28,
        y: label + 14,
        text: `${lengthText(rung.height, rung.height < 10 ? 1 : 0)}${rung.kind === "done" ? " reached" : ""}`,
      }),
    ];
  });
}

function drawVehicle({ fill, most, vehicle }, y, height, greatest, moving) {
  const known = Number.isFinite(height);
  const at = known ? y(height) : y(0);
  setAttr(fill, "y", at);
  setAttr(fill, "height", Math.max(0, y(0) - at));
  setAttr(most, "visibility", Number.isFinite(greatest) ? "visible" : "hidden");
  if (Number.isFinite(greatest)) for (const name of ["y1", "y2"]) setAttr(most, name, y(greatest));
  setAttr(vehicle, "d", known ? MARKERS[moving] : "");
  setAttr(vehicle, "data-moving", moving);
  setAttr(vehicle, "transform", `translate(${BAR_X + BAR_PX / 2} ${at.toFixed(1)})`);
}
