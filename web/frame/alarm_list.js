// The list of alarms, from every place: worst first, each with cause, value, since when, what to do, and who has seen
// it.

import { h, setAttr, setHidden, setText, setTone, syncList } from "../kit/dom.js";
import { duration, sentence, tClock, valueWithUnit, withSigns } from "../kit/format.js";
import { notKnown } from "../kit/silence_words.js";
import { unseen } from "../session/alarms.js";

const WORDS = { warning: "Warning", caution: "Caution" };

/** What the channels of an alarm read at last, or "" where it names none. */
export function valuesNow(view, { body }) {
  const bindings = (body.roles ?? []).map((role) => view.store.roles.get(role));
  if (body.channel) bindings.push(bindingOf(view.store, body.channel));
  return bindings
    .filter(Boolean)
    .map((binding) => {
      const { column, value } = view.sampleOf(binding);
      return valueWithUnit(column, value);
    })
    .join(", ");
}

function bindingOf({ dictionary }, path) {
  for (const meta of dictionary.tables) {
    const index = meta.columns.findIndex(({ channel }) => channel === path);
    if (index >= 0) return { table: meta.name, index, column: meta.columns[index], meta };
  }
  return undefined;
}

/** Since when an alarm lasts: the flight's clock once there is one, and how long by the station's, silence or not. */
export function sinceWords(view, alarm) {
  const since = alarm.body.since_t ?? alarm.t;
  const zero = view.moment("lift_off")?.t;
  const lasts = `for ${duration(view.lasting(alarm, since))}`;
  return zero === undefined ? lasts : `since ${tClock(since - zero)}, ${lasts}`;
}

/** What nobody knows of alarms while somebody is silent, as a sentence; "" while all are heard. */
export function silentAlarms(silence, count) {
  if (!silence) return "";
  const words = `${sentence(notKnown(silence))}.`;
  if (!count) return words;
  return silence.who === "station" ? `${words} What follows stood then.` : `Other alarms: ${notKnown(silence)}.`;
}

/** Why nothing can be acknowledged here, or "" where it can. */
export function whyNotHere({ desk, replay }) {
  if (replay) return "Recorded. Alarms of the live vehicle are acknowledged in the live view.";
  if (!desk) return "This page only watches; a signed-in operator acknowledges.";
  return desk.open ? "" : "The desk is not connected.";
}

function alarmNode(alarm, click) {
  const nodes = {
    what: h("p", { class: "alarm-what" }),
    since: h("p", { class: "alarm-since" }),
    advice: h("p", { class: "alarm-advice" }),
    seen: h("p", { class: "alarm-seen" }),
  };
  const look = { type: "button", class: "act", text: "Acknowledge", testid: `acknowledge-${alarm.key}` };
  const button = h("button", { ...look, on: { click } });
  const node = h(
    "li",
    { class: "alarm" },
    h("div", { class: "alarm-words" }, nodes.what, nodes.since, nodes.advice),
    h("div", { class: "alarm-act" }, button, nodes.seen),
  );
  return Object.assign(node, { parts: { ...nodes, button } });
}

export function AlarmList(el, acts) {
  const list = h("ol", { class: "alarms", "aria-label": "Alarms, worst first", testid: "alarms" });
  const none = h("p", { class: "absent", text: "No alarm stands." });
  const why = h("p", { class: "absent" });
  const silent = h("p", { class: "alarms-silent", testid: "alarms-silent" });
  const title = h("h2", { text: "Alarms", tabindex: "-1" });
  const all = h("button", {
    type: "button",
    class: "act",
    text: "Acknowledge all",
    title: "Shift + A",
    testid: "acknowledge-all",
    on: { click: () => acts.acknowledge(shown) },
  });
  const close = h("button", {
    type: "button",
    class: "act",
    text: "Close",
    "aria-label": "Close the list of alarms",
    testid: "alarms-close",
    on: { click: () => acts.showAlarms(false) },
  });
  el.append(h("div", { class: "alarms-head" }, title, all, close), silent, none, list, why);
  let shown = [];
  let latest;

  const make = (alarm) => alarmNode(alarm, () => acts.acknowledge(shown.filter((one) => one.key === alarm.key)));

  function draw(view, node, alarm) {
    const { what, since, advice, seen, button } = node.parts;
    const may = !whyNotHere(view.page);
    const now = valuesNow(view, alarm);
    setTone(node, alarm.acknowledged ? "seen" : alarm.severity);
    setText(what, `${WORDS[alarm.severity] ?? "Alarm"}: ${withSigns(alarm.text || alarm.key)}`);
    setText(
      since,
      [sinceWords(view, alarm), now && (view.silence ? `${now} when last heard` : `now ${now}`)]
        .filter(Boolean)
        .join(" \u00b7 "),
    );
    setText(advice, withSigns(alarm.body.advice));
    setText(
      seen,
      alarm.acknowledged
        ? `Seen by ${alarm.acknowledged.body.operator}, ${duration(view.cursor.rx - alarm.acknowledged.rx)} ago`
        : may
          ? ""
          : "Not acknowledged",
    );
    setHidden(button, Boolean(alarm.acknowledged) || !may);
    setAttr(button, "aria-label", `Acknowledge: ${alarm.text || alarm.key}`);
  }

  return {
    get open() {
      return !el.hidden;
    },
    /** What the list shows and nobody has seen yet, worst first: what a key may acknowledge. */
    waiting: () => unseen(shown),
    show(open) {
      if (el.hidden === !open) return;
      setHidden(el, !open);
      if (!open) return;
      if (latest) this.update(latest); // not for a moment what stood when it was last open
      title.focus();
    },
    update(view) {
      latest = view;
      if (el.hidden) return;
      shown = view.alarms();
      const reason = whyNotHere(view.page);
      const unknown = silentAlarms(view.silence, shown.length);
      setHidden(silent, !unknown);
      setText(silent, unknown);
      setHidden(none, shown.length > 0 || Boolean(unknown));
      setHidden(all, Boolean(reason));
      setAttr(all, "disabled", unseen(shown).length === 0);
      setHidden(why, !reason || shown.length === 0);
      setText(why, reason);
      syncList(
        list,
        shown,
        (alarm) => alarm.key,
        make,
        (node, alarm) => draw(view, node, alarm),
      );
    },
  };
}
