// The radio link in both directions.

import { h, setAttr, setHidden, setText, setTone } from "../../kit/dom.js";
import { age, fixed, limitState, valueWithUnit } from "../../kit/format.js";
import { notKnown, unknownValue } from "../../kit/silence_words.js";
import { LOSS_CAUTION, LOSS_WARNING } from "./link_limits.js";

// A figure older than this says nothing about the link as it is now.
const OLD_S = 3;

const ROWS = [
  { title: "State", read: (view) => ofStation(view, view.state("link", "port")?.body?.sentence) },
  { title: "Last packet", read: (view) => lastPacket(view) },
  {
    title: "Loss, last 10 s",
    role: "ground.link_loss",
    text: (v) => `${fixed(v * 100, 1)} %`,
    tone: (v) => (v > LOSS_WARNING ? "warning" : v > LOSS_CAUTION ? "caution" : ""),
  },
  {
    title: "Arriving",
    role: "ground.link_rate",
    text: (v, view) => `${fixed(v, 0)} B/s${ofModem(v, view.store.dictionary.modem_b_s)}`,
  },
  { title: "Packets", beat: (link) => String(link.packets ?? "") },
  { title: "Damaged", beat: (link) => String(link.damaged ?? "") },
  { title: "Lost", beat: (link) => String(link.lost ?? "") },
  { title: "Downlink level", role: "downlink.level" },
  { title: "Uplink level", role: "uplink.level" },
  { title: "Uplink frames good", role: "uplink.frames_good" },
  { title: "Uplink frames bad", role: "uplink.frames_bad" },
  {
    title: "Viewers",
    read: (view) =>
      ofStation(view, view.cursor.live && view.page.beat ? String(view.page.beat.viewers ?? "") : undefined),
  },
];

export function LinkPanel(el) {
  const list = h("dl", { class: "pairs" });
  const rows = ROWS.map((row) => {
    const term = h("dt", { text: row.title });
    const value = h("dd");
    list.append(term, value);
    return { ...row, term, value };
  });
  el.append(list);
  return {
    update(view) {
      for (const row of rows) {
        const { text, tone } = readRow(view, row);
        setHidden(row.term, text === undefined);
        setHidden(row.value, text === undefined);
        if (text === undefined) continue;
        setText(row.value, text);
        setTone(row.value, tone);
      }
    },
  };
}

/** What the station itself says: unknown while it is silent. */
function ofStation({ silence }, text) {
  if (text === undefined || silence?.who !== "station") return { text };
  return { text: unknownValue(text, silence.for_s), tone: "stale" };
}

function readRow(view, row) {
  if (row.read) return row.read(view);
  if (row.beat)
    return ofStation(view, view.cursor.live && view.page.beat?.link ? row.beat(view.page.beat.link) : undefined);
  const sample = view.sample(row.role);
  if (!sample) return {};
  const text =
    row.text && sample.value !== undefined ? row.text(sample.value, view) : valueWithUnit(sample.column, sample.value);
  if (sample.value !== undefined && (sample.stale || sample.age > OLD_S))
    return { text: unknownValue(text, sample.age), tone: "stale" };
  return {
    text,
    tone: row.tone ? row.tone(sample.value) : limitState(sample.column, sample.value) || (sample.stale ? "stale" : ""),
  };
}

/** How much of what the modem can carry that is. */
function ofModem(rate, modem) {
  return Number.isFinite(modem) && Number.isFinite(rate) ? `, ${fixed((rate / modem) * 100, 0)} % of the modem` : "";
}

function lastPacket(view) {
  const heard = view.store.lastHeard(view.rxLimit);
  return { text: heard === undefined ? "nothing heard yet" : `${age(view.cursor.rx - heard)} ago` };
}

/** Numbers of the station's own recorder, live only. */
export function RecorderLine(el) {
  const line = h("p", { class: "quiet-line" });
  el.append(line);
  return {
    update(view) {
      const recording = view.cursor.live && view.page.beat?.recording;
      if (!recording) {
        setText(
          line,
          view.cursor.live ? "The station has not told of its recording yet." : "Nothing is recorded in a replay.",
        );
        setAttr(line, "data-tone", "none");
        return;
      }
      if (view.silence?.who === "station") {
        setText(line, `Recording ${notKnown(view.silence)}.`);
        setAttr(line, "data-tone", "caution");
        return;
      }
      setText(line, `${recording.sentence ?? recording.state}  On disk ${age(recording.synced_age_s)} ago.`);
      setAttr(line, "data-tone", recording.synced_age_s > 1 ? "caution" : "none");
    },
  };
}
