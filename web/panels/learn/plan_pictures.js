// Configuration and next flight as pictures: the vehicle to scale, its swing against speed, the radio against distance.

import { h, s, setHidden, setText, watcher } from "../../kit/dom.js";
import { fixed } from "../../kit/format.js";
import { shownUnit } from "../../kit/units.js";
import { levelShapes, levelWords, swingShapes, swingWords } from "../../pictures/curves.js";
import { vehicleShapes, vehicleWords } from "../../pictures/vehicle.js";

const LIVE = "live";
const VEHICLE = { width: 400, height: 384, axis: 138 };
const BESIDE = { width: 130, height: 384, axis: 62 };
const CURVE = [400, 146];
const planOf = (view) => view.page.plans[view.page.replay?.name ?? LIVE];
const pathOf = (points) => `M${points.map(([x, y]) => `${x.toFixed(1)} ${y.toFixed(1)}`).join("L")}Z`;

/** The vehicle upright; where a change is asked about, it stands beside it. */
export function VehiclePanel(el) {
  const body = h("div", { class: "vehicle-both", testid: "vehicle-picture" });
  const none = h("p", { class: "absent" });
  el.append(body, none);
  const moved = watcher();
  return {
    update(view) {
      const plan = planOf(view);
      if (!moved(view.store, plan)) return;
      const { sheet } = view.store.dictionary;
      const air = plan?.configuration ?? null;
      const shapes = vehicleShapes(sheet, air, null, VEHICLE);
      setHidden(none, Boolean(shapes));
      setText(
        none,
        "The sheet does not say what the vehicle is built of: write [vehicle.configuration] to see it drawn.",
      );
      const changed = plan?.forecast?.changed;
      const beside = changed && shapes && vehicleShapes(sheet, null, changed.fins, BESIDE);
      body.replaceChildren(
        ...(shapes ? [drawing(shapes, VEHICLE, vehicleWords(sheet, air))] : []),
        ...(beside ? [besideIt(beside, changed)] : []),
      );
    },
  };
}

function drawing({ nose, tube, fins, pieces, margins }, { width, height, axis }, words) {
  const labelX = axis + 74;
  return s(
    "svg",
    { class: "vehicle", viewBox: `0 0 ${width} ${height}`, role: "img", "aria-label": words },
    ...fins.map(({ points }) => s("path", { class: "vehicle-fin", d: pathOf(points) })),
    s("rect", { class: "vehicle-body", x: tube.x, y: tube.y, width: tube.width, height: tube.height }),
    s("path", { class: "vehicle-body", d: pathOf(nose) }),
    ...pieces
      .filter(({ whole }) => !whole)
      .map(({ from, to, inner }) =>
        s("rect", {
          class: "vehicle-piece",
          x: axis - inner,
          y: from,
          width: 2 * inner,
          height: Math.max(2, to - from),
        }),
      ),
    ...pieces.flatMap(({ y, label, name, mass_kg: mass, inner }) => [
      s("path", { class: "vehicle-lead", d: `M${axis + inner} ${y} L${labelX - 18} ${label} H${labelX - 4}` }),
      s("text", { class: "vehicle-name", x: labelX, y: label + 4, text: `${name}, ${fixed(mass * 1000, 0)} g` }),
    ]),
    ...margins.flatMap(marginBand),
  );
}

function marginBand({ name, x, from, to, calibers, stable }) {
  const middle = (from + to) / 2;
  return [
    s("rect", {
      class: "vehicle-margin",
      "data-tone": stable ? "none" : "warning",
      x,
      y: Math.min(from, to),
      width: 12,
      height: Math.max(2, Math.abs(to - from)),
    }),
    s("path", { class: "vehicle-center", d: `M${x - 4} ${from} h20` }),
    s("path", { class: "vehicle-center -pressure", d: `M${x - 4} ${to} h20` }),
    s("text", {
      class: "vehicle-calibers",
      x: x - 6,
      y: middle,
      "text-anchor": "middle",
      transform: `rotate(-90 ${x - 6} ${middle})`,
      text: `${name} ${fixed(calibers, 2)} cal`,
    }),
  ];
}

function besideIt({ nose, tube, fins }, changed) {
  const words = `changed: ${fixed(changed.margin_calibers, 2)} calibers, ${fixed(changed.mass_kg, 3)} kg`;
  return h(
    "figure",
    { class: "vehicle-beside" },
    s(
      "svg",
      { class: "vehicle", viewBox: `0 0 ${BESIDE.width} ${BESIDE.height}`, role: "img", "aria-label": words },
      ...fins.map(({ points }) => s("path", { class: "vehicle-fin -changed", d: pathOf(points) })),
      s("rect", { class: "vehicle-body", x: tube.x, y: tube.y, width: tube.width, height: tube.height }),
      s("path", { class: "vehicle-body", d: pathOf(nose) }),
    ),
    h("figcaption", { text: words }),
  );
}

/** Swing against speed, level against distance. */
export function CurvesPanel(el) {
  const body = h("div", { testid: "plan-curves" });
  el.append(body);
  const moved = watcher();
  return {
    update(view) {
      const plan = planOf(view);
      if (!moved(view.store, view.store.version, plan)) return;
      const figure = (key) => view.store.journal.state("figure", key)?.body;
      const swing = figure("swing");
      const flown = {
        from: figure("rail_exit")?.speed_m_s,
        to: figure("greatest_speed")?.speed_m_s,
        measured:
          swing?.excited && swing.period_s > 0 ? { speed_m_s: swing.speed_m_s, hz: 1 / swing.period_s } : undefined,
      };
      body.replaceChildren(swingFigure(plan?.configuration?.frequencies, flown), levelFigure(figure("link")));
    },
  };
}

function axes({ xs, ys }, names) {
  const [width, height] = CURVE;
  return [
    ...ys.flatMap(({ value, y }) => [
      s("line", { class: "curve-grid", x1: 46, x2: width - 12, y1: y, y2: y }),
      s("text", { class: "curve-text", x: 41, y: y + 4, "text-anchor": "end", text: fixed(value, value % 1 ? 1 : 0) }),
    ]),
    ...xs.map(({ value, x }) =>
      s("text", { class: "curve-text", x, y: height - 16, "text-anchor": "middle", text: names.x(value) }),
    ),
  ];
}

function figureOf(title, words, parts) {
  const drawn = s(
    "svg",
    { viewBox: `0 0 ${CURVE[0]} ${CURVE[1]}`, role: "img", "aria-label": words },
    ...parts.filter(Boolean),
  );
  return h(
    "figure",
    { class: "multiple" },
    h("figcaption", { text: title }),
    drawn,
    h("p", { class: "plan-says", text: words }),
  );
}

function swingFigure(frequencies, flown) {
  const words = swingWords(frequencies, flown);
  const shape = swingShapes(frequencies, flown, CURVE);
  if (!shape) return h("p", { class: "absent", text: words });
  return figureOf(`Swing, Hz, against speed, ${shownUnit("m/s")}`, words, [
    shape.flown &&
      s("rect", { class: "curve-flown", x: shape.flown.x, width: shape.flown.width, y: 12, height: CURVE[1] - 42 }),
    ...axes(shape, { x: (value) => fixed(value, 0) }),
    s("path", { class: "curve -c0", d: shape.liftoff }),
    s("path", { class: "curve -c1", "stroke-dasharray": "9 5", d: shape.burnout }),
    shape.measured && s("circle", { class: "dot", cx: shape.measured.x, cy: shape.measured.y, r: 6 }),
  ]);
}

function levelFigure(link) {
  const words = levelWords(link);
  const shape = levelShapes(link, CURVE);
  if (!shape) return h("p", { class: "absent", text: words });
  const { margin, reach } = shape;
  const far = (value) =>
    shownUnit("m") === "m" && value >= 1000 ? `${value / 1000} km` : `${value} ${shownUnit("m")}`;
  return figureOf("Radio level, dBm, against distance", words, [
    ...axes(shape, { x: far }),
    shape.floor !== null &&
      s("line", { class: "curve-floor", x1: 46, x2: CURVE[0] - 12, y1: shape.floor, y2: shape.floor }),
    s("path", { class: "curve -c0 -flown", d: shape.flown }),
    s("path", { class: "curve -c0", "stroke-dasharray": "5 5", d: shape.beyond }),
    margin && s("path", { class: "curve-margin", d: `M${margin.x} ${margin.from} V${margin.to}` }),
    margin &&
      s("text", {
        class: "vehicle-calibers",
        x: margin.x + 6,
        y: (margin.from + margin.to) / 2,
        text: `${fixed(margin.db, 0)} dB left`,
      }),
    reach && s("circle", { class: "dot -open", cx: reach.x, cy: reach.y, r: 5 }),
  ]);
}
