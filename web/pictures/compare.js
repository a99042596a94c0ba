// Flights side by side: small curves about the way up on one clock, and how far apart their numbers are. Pure.

export const BEFORE_S = 1;
export const AFTER_S = 3;
const LEFT = 44;
const BOTTOM = 18;
const TOP = 6;

/** One, two or five times a power of ten: about `count` round values between low and high. */
export function roundValues(low, high, count) {
  const span = high - low;
  if (!(span > 0)) return [low];
  const rough = span / count;
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map((one) => one * power).find((one) => one >= rough);
  const out = [];
  for (let value = Math.ceil(low / step - 1e-9) * step; value <= high + step * 1e-9; value += step)
    out.push(Math.abs(value) < step * 1e-9 ? 0 : Number(value.toPrecision(12)));
  return out;
}

/**
 * From a second before the first lift-off to three after the last apogee, in seconds of the common clock; all of it
 * where
 * a flight has neither.
 * @param {{name: string, values: (number|null)[]}[]} numbers rows of the comparison @param {[number, number]} whole
 */
export function shownRange(numbers, whole) {
  const known = (name) => (numbers.find((row) => row.name === name)?.values ?? []).filter(Number.isFinite);
  const [liftOff, apogee] = [known("lift-off at"), known("apogee at")];
  const from = liftOff.length ? Math.min(...liftOff) - BEFORE_S : whole[0];
  const to = apogee.length ? Math.max(...apogee) + AFTER_S : whole[1];
  const each = numbers.find((row) => row.name === "apogee at")?.values ?? [];
  const range = [Math.max(whole[0], from), Math.min(whole[1], to)];
  return { range, scaled: each.map((one) => (Number.isFinite(one) ? one : range[1])) };
}

/**
 * One small drawing: a path for every flight. The values until each one's apogee (`scaled`) set the scale, so that the
 * shock of a parachute does not flatten the boost; a curve that goes beyond ends at the edge and comes in again.
 * @param {ArrayLike<number>} t @param {ArrayLike<number>[]} curves @returns {{paths: string[], ys, xs, low, high}}
 */
export function smallCurves(t, curves, { range, scaled }, [width, height]) {
  let low = 0;
  let high = 0;
  curves.forEach((values, which) => {
    const until = scaled[which] ?? range[1];
    for (let i = 0; i < t.length; i++) {
      if (t[i] < range[0] || t[i] > until || !Number.isFinite(values[i])) continue;
      low = Math.min(low, values[i]);
      high = Math.max(high, values[i]);
    }
  });
  if (high === low) high = low + 1;
  const x = (at) => LEFT + ((at - range[0]) / (range[1] - range[0])) * (width - LEFT - 6);
  const y = (value) => height - BOTTOM - ((value - low) / (high - low)) * (height - BOTTOM - TOP);
  const edges = [TOP - 2, height - BOTTOM + 2];
  const paths = curves.map((values) => {
    const points = [];
    for (let i = 0; i < t.length; i++)
      if (t[i] >= range[0] && t[i] <= range[1])
        points.push(Number.isFinite(values[i]) ? [x(t[i]), y(values[i])] : null);
    return pathWithin(points, edges);
  });
  return {
    paths,
    low,
    high,
    ys: roundValues(low, high, 3).map((value) => ({ value, y: y(value) })),
    xs: roundValues(range[0], range[1], 5).map((value) => ({ value, x: x(value) })),
  };
}

/**
 * The path through points, null where one is missing; what lies beyond the edges is no line: along one it would look
 * real.
 */
function pathWithin(points, [top, bottom]) {
  const side = ([, y]) => (y < top ? top : y > bottom ? bottom : null); // the edge it lies beyond
  const at = ([ax, ay], [bx, by], edge) => [ax + ((bx - ax) * (edge - ay)) / (by - ay), edge];
  let path = "";
  points.forEach((now, i) => {
    const before = points[i - 1];
    if (!now || !before) {
      if (now && side(now) === null) path += place("M", now);
      return;
    }
    const [from, to] = [side(before), side(now)];
    if (from === to && from !== null) return; // all of it is beyond
    if (from !== null) path += place("M", at(before, now, from));
    path += place("L", to === null ? now : at(before, now, to));
  });
  return path;
}

const place = (how, [x, y]) => `${how}${x.toFixed(1)} ${y.toFixed(1)}`;

/**
 * Numbers with a unit, the farthest apart first: {name, unit, first, others: [{which, value, share}], share}. A share
 * is the
 * difference to the first flight over the greater of both. Counts have no such measure; they stand in the table.
 */
export function differences(numbers) {
  return numbers
    .filter(({ unit, values }) => unit && Number.isFinite(values[0]))
    .map(({ name, unit, values }) => {
      const others = values
        .map((value, which) => ({ which, value, share: shareOf(value, values[0]) }))
        .filter(({ which, value }) => which > 0 && Number.isFinite(value));
      return {
        name,
        unit,
        first: values[0],
        others,
        share: Math.max(0, ...others.map(({ share }) => Math.abs(share))),
      };
    })
    .filter(({ others }) => others.length > 0)
    .sort((a, b) => b.share - a.share);
}

function shareOf(value, first) {
  const most = Math.max(Math.abs(value), Math.abs(first));
  return most > 0 ? (value - first) / most : 0;
}

/** What differs most, in a sentence. */
export function differenceWords(rows, sessions) {
  const [most, next] = rows;
  if (!most) return "No number is known of both flights.";
  if (most.share < 0.01) return "No number of theirs differs by a hundredth.";
  const tell = ({ name, unit, first, others }) => {
    const far = others.reduce((a, b) => (Math.abs(b.share) > Math.abs(a.share) ? b : a));
    const digits = Math.max(Math.abs(far.value), Math.abs(first)) < 20 ? 1 : 0;
    const sign = unit === "deg" ? "\u00b0" : ` ${unit}`;
    return { far, text: `${name} ${far.value.toFixed(digits)}${sign} against ${first.toFixed(digits)}${sign}` };
  };
  const { far, text } = tell(most);
  const then = next && next.share >= 0.01 ? `; then ${tell(next).text}` : "";
  return `${sessions[far.which]} differs most from ${sessions[0]} in ${text}${then}.`;
}

/** Dots on a line of shares from -1 to 1: {rows: [{y, dots: [{x, which}]}], zero, height}. */
export function dotPlot(rows, { left, width, rowHeight }) {
  const x = (share) => left + ((share + 1) / 2) * (width - left - 10);
  return {
    zero: x(0),
    height: rows.length * rowHeight,
    rows: rows.map((row, i) => ({
      ...row,
      y: (i + 0.5) * rowHeight,
      dots: row.others.map(({ which, share, value }) => ({ which, value, x: x(Math.max(-1, Math.min(1, share))) })),
    })),
  };
}
