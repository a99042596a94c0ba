// Times as bars: cut where one straggler would put all others into one bin, and several pictures on one scale. Pure.

import { fixed } from "../kit/format.js";

const MILLI = 1000;
const SAID = 3;
export const BOX = { width: 320, height: 92, left: 34, right: 8, base: 70, top: 14 };

const ms = (seconds) => fixed(seconds * MILLI, 0);

/** The bars of a histogram: places in seconds, height as a share of the fullest, and the count. */
export function barsOf({ from, width, counts }) {
  const most = Math.max(...counts);
  return counts.map((count, i) => ({
    height: count / most,
    count,
    low: from + i * width,
    high: from + (i + 1) * width,
  }));
}

/** One scale for several pictures: from the least to the greatest edge of them all, in seconds. */
export function scaleOf(histograms) {
  const low = Math.min(...histograms.map(({ from }) => from));
  return [low, Math.max(...histograms.map(({ from, width, counts }) => from + width * counts.length))];
}

/** "1 beyond: 1847 ms"; "" where the bars hold all. A recording of before says nothing of it. */
export function beyondWords({ beyond = [] }) {
  if (beyond.length === 0) return "";
  const times = beyond.slice(-SAID).map(ms).join(", ");
  return `${beyond.length} beyond: ${beyond.length > SAID ? "\u2026 " : ""}${times} ms`;
}

/**
 * What is drawn, in pixels of BOX.
 * @param {{count: number, median: number, p99: number, greatest: number, histogram: object, beyond?: number[]}} times
 * @param {[number, number]} scale see scaleOf
 */
export function histogramShapes(times, [low, high]) {
  const { width, left, right, base, top } = BOX;
  const across = (seconds) => left + ((seconds - low) / (high - low)) * (width - left - right);
  const bars = barsOf(times.histogram).map((bar) => ({
    x: across(bar.low) + 0.5,
    width: Math.max(1, across(bar.high) - across(bar.low) - 1),
    y: base - bar.height * (base - top),
    height: bar.height * (base - top),
  }));
  return {
    bars,
    median: across(times.median),
    most: Math.max(...times.histogram.counts),
    ends: [ms(low), ms(high)],
    beyond: beyondWords(times),
  };
}

/** The picture as a sentence. */
export function histogramWords(title, times) {
  const bars = barsOf(times.histogram);
  const middle = `median ${ms(times.median)}, 99th percentile ${ms(times.p99)}`;
  const beyond = beyondWords(times);
  const range = `${ms(bars[0].low)} to ${ms(bars.at(-1).high)} milliseconds`;
  return `${title}: ${times.count} times from ${range}, ${middle}${beyond ? `; ${beyond}` : ""}`;
}
