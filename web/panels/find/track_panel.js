// The way over ground seen from above, north up: by the vehicle's navigation or by GNSS, with where it lies.

import { h, s, setAttr, setHidden, setText, watcher } from "../../kit/dom.js";
import { distance } from "../../kit/format.js";
import { bestPlace, PLACES } from "./whereabouts.js";

const POINTS = 240;
const HALF = 100;
const LEAST_M = 20;
const finite = Number.isFinite;

/**
 * The track from lift-off up to the cursor, thinned: [[east, north], ...] (m), by the first source heard.
 * @returns {{points: number[][], source: string}|undefined} undefined when nothing tells a place
 */
export function trackOf(view) {
  const from = view.moment("lift_off")?.t ?? -Infinity;
  for (const [place, source] of PLACES.map((roles, i) => [roles, i === 0 ? "vehicle" : "GNSS"])) {
    const [east, north] = place.map((role) => view.store.roles.get(role));
    if (!east || !north || east.table !== north.table) continue;
    const table = view.store.tables.get(east.table);
    const points = [];
    const last = view.row(east.table);
    const step = Math.max(1, Math.ceil((last + 1) / (4 * POINTS)));
    for (let row = last; row >= 0 && table.t[row] >= from; row -= step) {
      const point = [table.columns[east.index][row], table.columns[north.index][row]];
      if (point.every(finite)) points.unshift(point);
    }
    const thin = Math.max(1, Math.ceil(points.length / POINTS));
    if (points.length > 0) return { points: points.filter((_, i) => i % thin === 0), source };
  }
  return undefined;
}

/** Places with a circle that holds them with 95 %: {east, north, radius (m) or 0, kind}. */
export function spotsOf(view) {
  const spots = [];
  const best = bestPlace(view);
  if (best && best.basis !== "last" && finite(best.distance)) {
    const { distance: away, bearing, radius = 0 } = best;
    spots.push({ east: away * Math.sin(bearing), north: away * Math.cos(bearing), radius, kind: "own" });
  }
  const figure = view.state("figure", "recovery")?.body ?? {};
  if (finite(figure.other_east_m))
    spots.push({
      east: figure.other_east_m,
      north: figure.other_north_m,
      radius: figure.other_radius_m,
      kind: "other",
    });
  return spots;
}

export function TrackPanel(el) {
  const line = s("polyline", { class: "track-line" });
  const pad = s("path", { class: "track-pad", d: "M-5 0 H5 M0 -5 V5" });
  const rings = ["own", "other"].map((kind) => s("circle", { class: `track-ring -${kind}` }));
  const dots = ["own", "other"].map((kind) => s("circle", { class: `track-dot -${kind}`, r: 3 }));
  const drawing = s(
    "svg",
    { class: "track-drawing", viewBox: `${-HALF - 6} ${-HALF - 6} ${2 * HALF + 12} ${2 * HALF + 12}`, role: "img" },
    ...rings,
    line,
    pad,
    ...dots,
  );
  const words = h("p", { class: "walk-note", testid: "track-words" });
  const none = h("p", { class: "absent", text: "No track: nothing in this session tells where the vehicle was." });
  el.append(drawing, words, none);
  const moved = watcher();
  return {
    update(view) {
      if (!moved(view.store, view.store.version, view.cursor.rx)) return;
      const track = trackOf(view);
      setHidden(drawing, !track);
      setHidden(words, !track);
      setHidden(none, Boolean(track));
      if (!track) return;
      const spots = spotsOf(view);
      const reach = Math.max(
        LEAST_M,
        ...track.points.flat().map(Math.abs),
        ...spots.map(({ east, north, radius }) => Math.max(Math.abs(east), Math.abs(north)) + radius),
      );
      const scale = HALF / reach;
      const at = (value) => (value * scale).toFixed(1);
      setAttr(line, "points", track.points.map(([east, north]) => `${at(east)},${at(-north)}`).join(" "));
      ["own", "other"].forEach((kind, i) => {
        const spot = spots.find((one) => one.kind === kind);
        for (const mark of [rings[i], dots[i]]) {
          setAttr(mark, "visibility", spot ? "visible" : "hidden");
          setAttr(mark, "cx", at(spot?.east ?? 0));
          setAttr(mark, "cy", at(-(spot?.north ?? 0)));
        }
        setAttr(rings[i], "r", at(spot?.radius ?? 0));
      });
      const source = track.source === "GNSS" ? "GNSS" : "its own navigation";
      const text = `By ${source}; north is up, ${distance(reach)} to each edge`;
      setText(words, text);
      setAttr(drawing, "aria-label", `Track seen from above. ${text}`);
    },
  };
}
