// The way down and what is left in the battery, as rows; the channels' state first.

import { landingText, stagesText } from "../../kit/descent_words.js";
import { h, setHidden, setText, setTone, syncList } from "../../kit/dom.js";
import { age, fixed, lengthText, limitState, speedText, tClock } from "../../kit/format.js";
import { heardAgo, sampleWords, unknownValue } from "../../kit/silence_words.js";
import { channelState } from "../../session/channel_state.js";
import { family } from "../../session/roles.js";

/** The parachutes' channels in a line each, with the age of what is known of them. */
export function ChuteLines(el) {
  const all = h("p", { class: "chutes-all", testid: "chutes-all" });
  const list = h("ul", { class: "chute-lines" });
  const none = h("p", { class: "absent", text: "Recovery channels are not in this vehicle's dictionary." });
  el.append(all, list, none);
  return {
    update(view) {
      const chutes = family(view.store.roles, "recovery")
        .map((name) => chuteAt(view, name))
        .filter(Boolean);
      const fired = chutes.filter(({ state }) => state === "fired").length;
      setHidden(none, chutes.length > 0);
      setHidden(all, chutes.length === 0);
      const ages = chutes.map((one) => one.age);
      setText(all, `Fired ${fired} of ${chutes.length}, ${heardAgo(Math.max(...ages))}`);
      syncList(list, chutes, ({ name }) => `${view.store.session} ${name}`, makeChute, updateChute);
    },
  };
}

function chuteAt(view, name) {
  const [armed, continuity, fired] = ["armed", "continuity", "fired"].map((part) =>
    view.sample(`recovery[${name}].${part}`),
  );
  const sample = armed ?? continuity ?? fired;
  if (!sample) return undefined;
  const label = (view.store.roles.get(`recovery[${name}].continuity`) ?? { column: sample.column }).column.label;
  return { name, title: label || `Recovery ${name}`, age: sample.age, ...channelState({ armed, continuity, fired }) };
}

function makeChute() {
  return h("li", { class: "find-chute-line" }, h("span", { class: "find-chute" }), h("span", { class: "state-word" }));
}

function updateChute(node, { title, word, tone }) {
  setText(node.firstChild, title);
  setText(node.lastChild, word);
  setTone(node, tone);
}

/** Height, descent, landing, deployment, last packet, battery. */
export function DescentPanel(el) {
  const list = h("dl", { class: "pairs -large" });
  const rows = DESCENT.map(({ title, read }) => {
    const term = h("dt", { text: title });
    const value = h("dd");
    list.append(term, value);
    return { read, term, value };
  });
  el.append(list);
  return {
    update(view) {
      for (const { read, term, value } of rows) {
        const [text, tone] = read(view);
        setHidden(term, text === undefined);
        setHidden(value, text === undefined);
        setText(value, text ?? "");
        setTone(value, tone);
      }
    },
  };
}

const clock = (view, moment) => tClock(moment.t - view.zero);

const lostOr = ({ stale, age: seconds, value }, words) =>
  stale && value !== undefined ? [unknownValue(words, seconds), "stale"] : [words, "none"];

const DESCENT = [
  {
    title: "Last packet",
    read: (view) => {
      const heard = view.store.lastHeard(view.rxLimit);
      return heard === undefined
        ? ["nothing heard yet", "caution"]
        : [`${age(view.cursor.rx - heard)} ago`, view.cursor.rx - heard > 2 ? "warning" : "none"];
    },
  },
  {
    title: "Height",
    read: (view) => {
      const sample = view.tells("ground.height") && view.sample("ground.height");
      return sample ? lostOr(sample, lengthText(sample.value)) : [];
    },
  },
  {
    title: "Descent rate",
    read: (view) => {
      const sample = view.tells("ground.climb_rate") && view.sample("ground.climb_rate");
      if (!sample) return [];
      if (view.moment("landing")) return ["none, it lies"];
      if (!view.moment("apogee")) return ["not before apogee"];
      return lostOr(sample, sample.value < 0 ? speedText(-sample.value) : "not sinking");
    },
  },
  {
    title: "In stages",
    read: (view) => {
      const words = stagesText(view.state("figure", "descent")?.body);
      return words ? [words] : [];
    },
  },
  {
    title: "Speed at landing",
    read: (view) => {
      const words = landingText(view.state("figure", "descent")?.body);
      return words ? [words] : [];
    },
  },
  {
    title: "Apogee",
    read: (view) => {
      const moment = view.moment("apogee");
      return [moment ? `${lengthText(moment.height_m)}, ${clock(view, moment)}` : "not reached"];
    },
  },
  {
    title: "Deployment",
    read: (view) => {
      const moment = view.moment("deployment");
      const apogee = view.moment("apogee");
      return [
        moment
          ? `${clock(view, moment)}${apogee ? `, ${fixed(moment.t - apogee.t, 1)} s after apogee` : ""}`
          : "not seen",
      ];
    },
  },
  {
    title: "Landed",
    read: (view) => {
      const moment = view.moment("landing");
      return [moment ? clock(view, moment) : "not seen"];
    },
  },
  {
    title: "Battery",
    read: (view) => {
      const sample = view.sample("battery.voltage");
      return sample
        ? [sampleWords(sample), limitState(sample.column, sample.value) || (sample.stale ? "stale" : "none")]
        : [];
    },
  },
];
