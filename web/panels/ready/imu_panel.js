// The two inertial units side by side: at rest both must say one g, and the same.

import { absent, builder, h, setHidden, setText, setTone } from "../../kit/dom.js";
import { fixed, NOTHING, valueText } from "../../kit/format.js";
import { unknownWas } from "../../kit/silence_words.js";

const UNITS = ["a", "b"];
const AXES = ["x", "y", "z"];
const DEG = 180 / Math.PI;

export function ImuPanel(el) {
  const once = builder();
  const lost = h("p", { class: "facts", testid: "imu-lost" });
  let cells = [];
  function build(view) {
    const fitted = UNITS.filter((unit) => axesOf(view, unit).length > 0);
    if (fitted.length === 0) {
      el.replaceChildren(absent("Inertial units are"));
      cells = [];
      return;
    }
    const head = h(
      "tr",
      {},
      h("th", { scope: "col", text: "" }),
      ...fitted.map((unit) => h("th", { scope: "col", text: `Unit ${unit}` })),
      fitted.length === 2 && h("th", { scope: "col", text: "a \u2212 b" }),
    );
    cells = [];
    const body = LINES.filter(({ roles }) => fitted.some((unit) => roles(unit).every((role) => view.has(role)))).map(
      (line) => {
        const values = fitted.map(() => h("td"));
        const difference = fitted.length === 2 ? h("td") : undefined;
        cells.push({ line, fitted, values, difference });
        return h("tr", {}, h("th", { scope: "row", text: line.title }), ...values, difference);
      },
    );
    el.replaceChildren(h("table", { class: "grid" }, h("thead", {}, head), h("tbody", {}, ...body)), lost);
  }
  return {
    update(view) {
      once(view.store, () => build(view));
      const [newest] = UNITS.flatMap((unit) => axesOf(view, unit)).map((role) => view.sample(role));
      const isLost = Boolean(newest?.stale);
      setHidden(lost, !isLost);
      setText(lost, newest ? unknownWas("heard", newest.age) : "");
      for (const { line, fitted, values, difference } of cells) {
        const numbers = fitted.map((unit) => (isLost ? undefined : line.read(view, unit)));
        values.forEach((cell, i) => {
          setText(cell, numbers[i] === undefined ? NOTHING : line.text(view, fitted[i], numbers[i]));
          setTone(cell, Number.isFinite(numbers[i]) || numbers[i] === undefined ? "none" : "warning");
        });
        if (difference)
          setText(
            difference,
            numbers.every(Number.isFinite) ? fixed((numbers[0] - numbers[1]) * line.scale, line.digits) : NOTHING,
          );
      }
    },
  };
}

/** The axes of a unit's accelerometer that this vehicle has; a small one has only that along the nose. */
const axesOf = (view, unit) => AXES.map((axis) => `accel.${unit}.${axis}`).filter((role) => view.has(role));

function length(view, prefix) {
  const values = AXES.map((axis) => view.value(`${prefix}.${axis}`));
  return values.some((value) => value === undefined) ? undefined : Math.hypot(...values);
}

const LINES = [
  {
    title: "|Accel| m/s\u00b2",
    roles: (unit) => AXES.map((axis) => `accel.${unit}.${axis}`),
    scale: 1,
    digits: 2,
    read: (view, unit) => length(view, `accel.${unit}`),
    text: (_, __, v) => fixed(v, 2),
  },
  ...AXES.map((axis) => ({
    title: `Accel ${axis} m/s\u00b2`,
    roles: (unit) => [`accel.${unit}.${axis}`],
    scale: 1,
    digits: 2,
    read: (view, unit) => view.value(`accel.${unit}.${axis}`),
    text: (_, __, v) => fixed(v, 2),
  })),
  {
    title: "|Rate| \u00b0/s",
    roles: (unit) => AXES.map((axis) => `gyro.${unit}.${axis}`),
    scale: DEG,
    digits: 1,
    read: (view, unit) => length(view, `gyro.${unit}`),
    text: (_, __, v) => fixed(v * DEG, 1),
  },
  {
    title: "Temperature \u00b0C",
    roles: (unit) => [`imu_temperature.${unit}`],
    scale: 1,
    digits: 1,
    read: (view, unit) => view.value(`imu_temperature.${unit}`),
    text: (view, unit, v) => valueText(view.sample(`imu_temperature.${unit}`).column, v),
  },
];
