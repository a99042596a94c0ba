// What the journal says of a flight's course: its phases, what happened, what was found; each with its own moment.
// Pure.

const EVENTS = {
  lift_off: "lift-off",
  rail_exit: "off the rail",
  control_enabled: "control on",
  deployment: "chutes",
  separation: "apart",
};
const ENDS = { control_enabled: "control off" };
const FIRST = ["lift_off", "apogee", "landing", "burnout", "deployment", "control_enabled"];
const BEGINS = [
  ["lift_off", "boost"],
  ["burnout", "coast"],
  ["apogee", "descent"],
  ["landing", "landed"],
];

const rank = (key) => (FIRST.indexOf(key) + 1 || FIRST.length + 1) - 1;

/** The phases in order: [{phase, from, to}], timeline seconds; the first reaches back and the last on without end. */
export function phasesOf(journal, rx = Infinity) {
  const begun = BEGINS.map(([key, phase]) => ({ phase, from: journal.state("moment", key, rx)?.body?.t }))
    .filter(({ from }) => Number.isFinite(from))
    .sort((a, b) => a.from - b.from);
  if (begun.length === 0) return [];
  const all = begun[0].phase === "boost" ? [{ phase: "pad", from: -Infinity }, ...begun] : begun;
  return all.map((one, i) => ({ ...one, to: all[i + 1]?.from ?? Infinity }));
}

/** What happened: [{key, text, t, rank}], the lower the rank the sooner it has room for its words. */
export function eventsOf(journal, rx = Infinity) {
  const moments = journal.states("moment", rx).flatMap(({ key }) =>
    turns(journal.past("moment", key, rx)).map(({ body }, i) => ({
      key: `${key} ${i}`,
      text: (body.on === false && ENDS[key]) || EVENTS[key] || key.replaceAll("_", " "),
      t: body.t,
      rank: rank(key) + (body.on === false ? 0.5 : 0),
    })),
  );
  const marks = journal.entries
    .filter(({ topic, rx: at }) => topic === "mark" && at <= rx)
    .map(({ i, text, t }) => ({ key: `mark ${i}`, text, t, rank: FIRST.length + 2 }));
  return [...moments, ...marks].filter(({ t }) => Number.isFinite(t)).sort((a, b) => a.t - b.t);
}

// A moment told again, finer, is the same one; only what went off and on is told as often as it did. What only ends is
// left out where ending has no word of its own.
function turns(past) {
  const kept = [];
  for (const entry of past) {
    if (!Number.isFinite(entry.body?.t) || entry.body.withdrawn) continue;
    if (entry.body.on === false && !ENDS[entry.key]) continue;
    const last = kept.at(-1);
    if (last && (last.body.on !== false) === (entry.body.on !== false)) kept.pop();
    kept.push(entry);
  }
  return kept;
}

/** What was found: [{key, text, t, severity}] in order. */
export function flagsOf(journal, rx = Infinity) {
  return journal
    .states("finding", rx)
    .filter(({ text, body }) => text && !body?.withdrawn)
    .map(({ key, text, t, severity, body }) => ({ key, text, severity, t: body?.t ?? t }))
    .filter(({ t }) => Number.isFinite(t))
    .sort((a, b) => a.t - b.t);
}
