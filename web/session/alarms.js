// Which alarms stand, in which order a person should look at them, and which somebody has seen. The same fold as in
// server/analysis/alarms.py: an acknowledgment names the arrival of the raise that was looked at, so none later is
// meant by it.

const SEVERITIES = ["info", "caution", "warning"];

// What nobody knows comes first.
const rank = ({ severity }) => (SEVERITIES.includes(severity) ? SEVERITIES.indexOf(severity) : SEVERITIES.length);

/**
 * @param {object[]} entries latest entry of each key of the topic "alarm" @param {(key: string) => object|undefined}
 *   seenOf latest entry of that key of the topic "acknowledged"
 * @returns {object[]} the standing ones with `acknowledged` (that entry or null): warnings first, of each the unseen
 *   first, newest first
 */
export function standing(entries, seenOf) {
  const alarms = entries
    .filter(({ body }) => body?.state === "raised")
    .map((entry) => {
      const seen = seenOf(entry.key);
      return { ...entry, acknowledged: seen?.body?.raised_rx === entry.rx ? seen : null };
    });
  return alarms.sort((a, b) => rank(b) - rank(a) || Boolean(a.acknowledged) - Boolean(b.acknowledged) || b.rx - a.rx);
}

/** Those nobody has acknowledged. */
export const unseen = (alarms) => alarms.filter((alarm) => !alarm.acknowledged);

/** What the status line says of them: count, words, tone. Quiet once all are seen; an unseen one sets the tone. */
export function alarmWords(alarms) {
  if (!alarms.length) return { count: "None", words: "", tone: "none" };
  const waiting = unseen(alarms);
  const first = waiting[0] ?? alarms[0];
  const said = waiting.length === 0 ? "seen: " : waiting.length < alarms.length ? `${waiting.length} not seen: ` : "";
  const tone = waiting.length === 0 ? "none" : first.severity === "warning" ? "warning" : "caution";
  return { count: String(alarms.length), words: said + (first.text || first.key), tone };
}
