// What station and page both say in words, by the station's own cases.

import assert from "node:assert/strict";
import { test } from "node:test";

import { dangers } from "../../web/kit/dangers.js";
import { COULOMB_PER_MAH, valueWithUnit } from "../../web/kit/format.js";
import { UNDER } from "../../web/panels/learn/figures_panel.js";
import { TIMES, UNITS } from "../../web/panels/learn/onboard_panel.js";
import { CURVE_AT_MOST, FIELDS } from "../../web/panels/learn/plan_panel.js";
import { LOSS_CAUTION } from "../../web/panels/ready/link_limits.js";
import { plain, valueBeside } from "../../web/panels/ready/pad_state.js";
import { percent } from "../../web/panels/try/trial_result.js";
import { cyclesOf, STATES, trialTone } from "../../web/panels/try/trial_words.js";
import { LIMIT_DEG } from "../../web/panels/watch/scope_point.js";
import { channelState } from "../../web/session/channel_state.js";
import { CAP, ONE_OFF } from "../../web/session/journal.js";
import { FROM_A_REPLAY, parseNumber, shortWords } from "../../web/session/messages.js";
import { phasesDiffer } from "../../web/session/phases.js";
import { armedFamilies } from "../../web/session/roles.js";
import { vectors, viewOf } from "./vectors.js";

/** [number, the rest] of a text that begins with a number, as either side writes it. */
function parted(text) {
  const [number] = text.replace("\u2212", "-").match(/^([+-]?(nan|inf)|[-+\d.e]+)/i);
  return [Number(number), text.slice(number.length)];
}

/** The same number to the last digit that both sides write (the station writes four), with the same unit. */
function assertSame(shown, said) {
  if (shown.startsWith("not a number")) return assert.match(said, /^nan/);
  if (/^(no data|[a-z])/i.test(shown)) return assert.equal(shown, plain(said));
  const [one, rest] = parted(shown);
  const [other, unit] = parted(plain(said));
  assert.equal(rest, unit, `${shown} | ${said}`);
  const decimals = (shown.match(/^[^\d]*\d+\.(\d+)/)?.[1] ?? "").length;
  assert.ok(Math.abs(one - other) <= 0.5 * 10 ** -decimals + 5e-4 * Math.abs(other), `${shown} | ${said}`);
}

test("a number that JSON cannot carry is the same number again", () => {
  for (const { meant, in_rows, in_notes } of vectors("numbers")) {
    assert.ok(Object.is(parseNumber(in_rows), Number(meant)), meant);
    assert.ok(Object.is(parseNumber(in_notes), Number(meant)), meant);
  }
});

test("a value is the same number in the same unit, an enum the same word", () => {
  for (const { column, value, text } of vectors("values")) {
    const said = column.kind === "flag" ? text.split(": ")[1] : text;
    if (column.kind === "number") assertSame(valueWithUnit(column, value), said);
    else assert.equal(valueWithUnit(column, value), said);
  }
});

test("beside a bound stands the value that the station says, whatever else the family reads", () => {
  const { items, columns, cases } = vectors("beside");
  for (const { item: name, readings, standing, text } of cases) {
    const item = { ...items.find((one) => one.name === name), line: { standing, value: "" } };
    const view = { sample: (role) => sampleOf(readings[role], columns[role]) };
    assertSame(valueBeside(view, { state: "open" }, item), text);
  }
});

function sampleOf(reading, column) {
  if (!reading) return { value: undefined, age: Infinity, stale: true, column };
  return { value: parseNumber(reading[0]), age: reading[1], stale: reading[1] > 2, column };
}

test("a channel is armed, fired or unknown exactly when a trial's watch would say so", () => {
  for (const { readings, armed, fired, fresh } of vectors("channels").cases) {
    const part = (name) => sampleOf(readings[`channel[1].${name}`]);
    const { state, tone } = channelState({
      armed: part("armed"),
      fired: part("fired"),
      continuity: part("continuity"),
    });
    const told = JSON.stringify({ readings, state });
    // That it fired stays a fact for people, unless it may still conduct or be armed; a trial asks for fresh telemetry.
    const value = (name) => readings[`channel[1].${name}`]?.[0];
    const isSpent = value("fired") === 1 && value("armed") === 0 && value("continuity") === 0;
    if (!fresh) assert.equal(state, isSpent ? "fired" : "unknown", told);
    else if (armed) assert.ok(["armed", "unknown"].includes(state) && tone === "danger", told);
    else if (fired) assert.equal(state, "fired", told);
    else assert.ok(["continuous", "open"].includes(state), told);
  }
});

test("what can be armed is said of every family that a trial's watch looks at", () => {
  const roles = vectors("channels").roles;
  const watched = roles.filter(({ role, watched: is }) => is && role.endsWith(".armed")).map(({ role }) => role);
  const families = armedFamilies(new Map(roles.map(({ role }) => [role, {}])));
  assert.deepEqual(families, [...new Set(watched.map((role) => role.split("[")[0]))]);
  const armed = dangers(viewOf(Object.fromEntries(watched.map((role) => [role, 1])))).armed;
  assert.equal(armed, "motor 1, 2, 3, 4 \u00b7 recovery 1, 2 \u00b7 igniter a_1");
});

test("the vehicle's word contradicts the ground's exactly when the station would warn of it in the end", () => {
  for (const { ground, claim, differs } of vectors("phases"))
    assert.equal(phasesDiffer(ground, claim), differs, `${ground}, ${claim}`);
});

test("every state of a trial has its words, and is drawn as a danger exactly when the station warns", () => {
  const { cases, cycles_at_most: most, shares } = vectors("trials");
  const states = new Set(cases.map(({ state }) => state));
  // What nobody confirmed in time is not noted; the page tells it by the window of the second act.
  assert.deepEqual([...states, "expired"].sort(), Object.keys(STATES).sort());
  for (const { state, safe, bad } of cases) {
    const result = ["passed", "failed", "stopped"].includes(state) ? { safe } : null;
    assert.equal(trialTone({ state, result }) === "danger", bad, `${state} ${safe}`);
  }
  assert.deepEqual([cyclesOf(String(most)), cyclesOf(String(most + 1))], [most, NaN]);
  for (const { share, text } of shares) assertSame(percent(share), text);
});

test("the short words of a command's state are the station's own beginning, short enough for the button", () => {
  for (const text of Object.values(vectors("commands").states)) {
    const short = shortWords(`${text}: a reason, and more`);
    assert.ok(text.startsWith(short) && short.length > 3 && short.length <= 24, short);
    assert.doesNotMatch(short, /[,:]/);
  }
});

test("what both sides hold as a number or list is the same", () => {
  const told = vectors("constants");
  assert.deepEqual(Object.keys(UNDER).sort(), [...told.canopies].sort());
  assert.deepEqual(
    Object.fromEntries(FIELDS.map(([name, , , min, max]) => [name, [Number(min), Number(max)]])),
    told.changes,
  );
  assert.equal(COULOMB_PER_MAH, told.coulomb_per_mah);
  assert.equal(CURVE_AT_MOST, told.curve_at_most);
  assert.equal(LIMIT_DEG, told.limit_tilt_deg);
  assert.equal(LOSS_CAUTION, told.loss_caution);
  assert.equal(CAP, told.journal_kept);
  assert.deepEqual([...ONE_OFF].sort(), told.one_off);
});

test("what the page offers or asks is known to the station", () => {
  const told = vectors("constants");
  for (const unit of UNITS) assert.ok(unit in told.log_units, unit);
  for (const unit of TIMES) assert.equal(told.log_units[unit], "s", unit);
  for (const type of FROM_A_REPLAY) assert.ok(told.desk_requests.includes(type), type);
});
