// The pad sheet as the journal tells it at a moment, and the values beside its bounds. The station judges; nothing here
// does.

import { age, fixed, valueWithUnit, withSigns } from "../../kit/format.js";
import { unknownWas } from "../../kit/silence_words.js";

const TOPIC = "pad_sheet";
const NO_DATA = "no data";
const AGE_S = 5; // of a recording whose sheet does not tell it
const DEG = 180 / Math.PI;
const UNITS = { "units.force_apart": ["accel", 1, 2, "m/s\u00b2"], "units.rate_apart": ["gyro", DEG, 1, "\u00b0/s"] };

/** Marks and words of what an item can say; a color is never the only carrier. */
export const STANDINGS = {
  met: { mark: "\u2713", word: "met", tone: "good" },
  "not met": { mark: "\u2715", word: "NOT met", tone: "warning" },
  unknown: { mark: "?", word: "unknown", tone: "unknown" },
  open: { mark: "\u25a1", word: "open", tone: "none" },
};
/** How a line looks that is within its bounds again, before the station counts it. */
export const BACK = { mark: "\u2026", tone: "back" };
export const ADVICE = "This sheet advises. The range safety officer decides.";

/**
 * The sheet at station time rx: {title, note, at, groups: [{title, items: [{...shape, line}]}], state, round, why,
 * lines}, or null in a session without one.
 */
export function sheetAt(journal, rx = Infinity) {
  // A moment before the first note of a session the sheet is there already, and nobody has looked yet.
  const definition = (journal.state(TOPIC, "definition", rx) ?? journal.state(TOPIC, "definition"))?.body;
  const sheet = journal.state(TOPIC, "sheet", rx)?.body ?? { state: "open", round: 1, why: "" };
  if (!Array.isArray(definition?.groups)) return null;
  const groups = definition.groups
    .filter((group) => Array.isArray(group?.items))
    .map(({ title, items }) => ({
      title,
      items: items.filter(isItem).map((item) => ({ ...item, line: lineOf(journal, item, rx) })),
    }));
  return {
    ...definition,
    groups,
    state: sheet.state,
    round: sheet.round,
    why: sheet.why,
    lines: groups.flatMap(({ items }) => items.map(({ line }) => line)),
  };
}

/**
 * The sheet as it stands at a view. While nobody is heard, what the station looks at itself is unknown: such a line has
 * `was`, what it said last, and `was_s`, how many seconds ago it did.
 */
export function sheetNow(view) {
  const sheet = sheetAt(view.store.journal, view.rxLimit);
  if (!sheet || sheet.state === "closed") return sheet;
  const now = (item) => comingBack(view, sheet, itemNow(view, item));
  const groups = sheet.groups.map((group) => ({ ...group, items: group.items.map(now) }));
  return { ...sheet, groups, lines: groups.flatMap(({ items }) => items.map(({ line }) => line)) };
}

// What a sheet on paper says does not rest on hearing.
const restsOnHearing = ({ automatic, roles }) => automatic && !roles.every((role) => role.startsWith("site."));

function itemNow(view, item) {
  const { line } = item;
  if (!restsOnHearing(item)) return item;
  if (line.standing === "unknown") return { ...item, line: { ...line, ...lastSaid(view, item.name) } };
  if (view.silence?.who !== "station") return item;
  return { ...item, line: { ...line, standing: "unknown", was: line.standing, was_s: view.silence.for_s } };
}

/**
 * A line whose value is within its bounds again, and which the station counts only once that has lasted: `back` says
 * so,
 * since "NOT met yes (must be yes)" says nothing.
 */
function comingBack(view, sheet, item) {
  const { line } = item;
  if (!item.automatic || sheet.state === "closed" || line.standing === "met" || view.silence) return item;
  const samples = item.roles.map((role) => view.sample(role));
  const back = samples.length > 0 && samples.every((one) => one && isKnown(item, one) && isWithin(item, one));
  return back ? { ...item, line: { ...line, back: true } } : item;
}

/** Does a value hold what a line asks for? As in server/telemetry/conditions.py; false where the bound is not told. */
function isWithin({ comparison, operand, within = 0 }, { column, value }) {
  const word = column.values?.[value];
  const equal = (one) => (typeof one === "string" ? one === word : Math.abs(value - one) <= within);
  if (operand === undefined || operand === null) return false;
  if (comparison === "at_most") return value <= operand;
  if (comparison === "at_least") return value >= operand;
  return Array.isArray(operand) ? operand.some(equal) : equal(operand);
}

/** What a line said before it became unknown, from the journal; {} when it never said anything. */
function lastSaid(view, name) {
  const entries = view.store.journal.past(TOPIC, `item ${name}`, view.rxLimit);
  const at = entries.findLastIndex(({ body }) => body?.standing !== "unknown");
  const was = entries[at]?.body?.standing;
  return was === "met" || was === "not met" ? { was, was_s: view.cursor.rx - entries[at + 1].rx } : {};
}

// A recording may hold anything.
function isItem(item) {
  return typeof item?.name === "string" && Array.isArray(item.roles) && (!item.automatic || item.roles.length > 0);
}

function lineOf(journal, item, rx) {
  const line = journal.state(TOPIC, `item ${item.name}`, rx)?.body;
  return line && Object.hasOwn(STANDINGS, line.standing)
    ? line
    : { standing: item.automatic ? "unknown" : "open", value: "", by: "", at: "", cleared: "" };
}

/** Station time of the last closing at a lift-off, Infinity when there was none: then the sheet's last state counts. */
export function closedAt(journal) {
  const closed = journal.entries.filter(
    (entry) => entry.topic === TOPIC && entry.key === "sheet" && entry.body?.state === "closed",
  );
  return closed.length ? closed[closed.length - 1].rx : Infinity;
}

/** What a line says in a word; of what is not known any more what it said last, and how long ago. */
export function standingWords({ standing, was, was_s, back }) {
  if (back) return "met now, counts after 2 s:";
  const { word } = STANDINGS[standing];
  return standing === "unknown" && was ? unknownWas(STANDINGS[was].word, was_s) : word;
}

const isOpen = ({ standing }) => standing === "open";

/** How many lines stand, what does not, and how many are for people to do: "13 of 17 stand \u2013 4 for you". */
export function standsWords(lines) {
  const count = (test) => lines.filter(test).length;
  const stand = count(({ standing }) => standing === "met");
  if (stand === lines.length) return `All ${lines.length} stand`;
  const parts = [
    [count(({ standing, back }) => standing === "not met" && !back), "NOT met"],
    [count(({ standing, back }) => standing === "unknown" && !back), "unknown"],
    [count(({ back }) => back), "coming back"],
  ];
  const words = [`${stand} of ${lines.length} stand`, ...parts.filter(([n]) => n).map(([n, word]) => `${n} ${word}`)];
  const hands = count(isOpen);
  return words.join(", ") + (hands ? ` \u2013 ${hands} for you` : "");
}

/** The look of that line: red only for what is not met now. */
export function toneNow(lines) {
  if (lines.some(({ standing, back }) => standing === "not met" && !back)) return STANDINGS["not met"].tone;
  if (lines.some(({ standing }) => standing === "unknown" || standing === "not met")) return STANDINGS.unknown.tone;
  return lines.some(isOpen) ? STANDINGS.open.tone : STANDINGS.met.tone;
}

/** What people tick, in the sheet's order. */
export function handsOf(groups) {
  return groups.flatMap(({ items }) => items).filter(({ automatic }) => !automatic);
}

/** What the station looks at and does not stand, the worst first. */
export function exceptionsOf(groups) {
  const rank = ({ line }) => (line.back ? 2 : line.standing === "not met" ? 0 : 1);
  return groups
    .flatMap(({ items }) => items)
    .filter(({ automatic, line }) => automatic && line.standing !== "met")
    .sort((one, two) => rank(one) - rank(two));
}

/** The whole sheet in one line. */
export function summaryOf(lines) {
  const count = (standing) => lines.filter((line) => line.standing === standing).length;
  const parts = ["not met", "unknown", "open"].map((standing) => [count(standing), standing]).filter(([n]) => n);
  return parts.length
    ? `${parts.map(([n, word]) => `${n} ${word}`).join(", ")} of ${lines.length}`
    : `All ${lines.length} items met`;
}

/** The worst that stands, for the look of the summary. */
export function toneOf(lines) {
  const worst = ["not met", "unknown", "open"].find((standing) => lines.some((line) => line.standing === standing));
  return STANDINGS[worst ?? "met"].tone;
}

/**
 * What stands beside the bound now: read from telemetry at the cursor while the sheet follows it, else as it was kept.
 */
export function valueBeside(view, sheet, item) {
  if (!item.automatic || sheet.state === "closed") return plain(item.line.value);
  const [role] = item.roles;
  if (role === "ground.warnings") return String(view.alarms().filter((alarm) => alarm.severity === "warning").length);
  if (role in UNITS) return apart(view, ...UNITS[role]);
  const samples = item.roles.map((one) => view.sample(one));
  if (samples.some((sample) => !sample)) return plain(item.line.value);
  return isFlag(item) ? flags(item, samples) : measured(item, samples);
}

const isFlag = ({ flag }) => flag !== null && flag !== undefined;

// What counts as known, and which of a family is said, as in server/pad/sheet.py.
const isOld = ({ age_s = AGE_S }, sample) => sample.age > age_s;
const isKnown = (item, sample) => Number.isFinite(sample.value) && !isOld(item, sample);

function flags(item, samples) {
  const unknown = samples.find((sample) => !isKnown(item, sample));
  if (unknown) return unknownText(item, unknown);
  if (samples.length === 1) return samples[0].value ? "yes" : "no";
  return `${samples.filter((sample) => sample.value === Number(item.flag)).length} of ${samples.length}`;
}

// A number that is not met counts before another that is not known, and that before those that are met.
function measured(item, samples) {
  const known = samples.filter((sample) => isKnown(item, sample));
  const isUnknown = known.length < samples.length && item.line.standing !== "not met";
  if (isUnknown || !known.length)
    return unknownText(
      item,
      samples.find((sample) => !known.includes(sample)),
    );
  const sign = item.comparison === "at_most" ? -1 : 1;
  const worst = known.reduce((one, two) => (sign * two.value < sign * one.value ? two : one));
  return valueWithUnit(worst.column, worst.value);
}

function unknownText(item, sample) {
  const { column, value } = sample;
  if (value === undefined) return NO_DATA;
  const name = column.kind === "flag" ? `${column.name.replaceAll("_", " ")}: ` : "";
  const old = isOld(item, sample) && !item.line.was ? `, ${age(sample.age)} old` : "";
  return `${name}${valueWithUnit(column, value)}${old}`;
}

/** How far the two inertial units' newest vectors lie apart. */
function apart(view, kind, scale, digits, unit) {
  const difference = (axis) => view.value(`${kind}.a.${axis}`) - view.value(`${kind}.b.${axis}`);
  const distance = Math.hypot(difference("x"), difference("y"), difference("z"));
  return Number.isFinite(distance) ? `${fixed(distance * scale, digits)} ${unit}` : NO_DATA;
}

export function plain(text) {
  return text === "not reported" ? NO_DATA : withSigns(text);
}

/** Whose tick it is and when, or what became of it. */
export function tickWords({ standing, by, at, value, cleared }) {
  const time = new Date(at);
  const when = Number.isNaN(time.getTime())
    ? ""
    : `, ${[time.getHours(), time.getMinutes()].map((part) => String(part).padStart(2, "0")).join(":")}`;
  if (by && value) return `${standing === "not met" ? "NOT met: " : ""}${plain(value)}, ${by}${when}`;
  if (by) return `ticked by ${by}${when}`;
  return cleared ? `open \u2014 ${cleared}` : "open";
}
