// The worst thing now in one line of words: an alarm, seen or not; else a silence; else what goes as intended (amber
// while the nose is past the limit, as on the scope). Never that anything is safe or a go. Pure.

import { age, fixed, sentence, speedText, withSigns } from "../../kit/format.js";
import { leanOf } from "./scope_point.js";

const DEG = 180 / Math.PI;
const finite = Number.isFinite;
const OF_NOW = "link lost"; // the station's own word, true while nothing is heard
const TONES = { warning: "warning", caution: "caution" };

/** What goes as intended, by the phase as the ground sees it. */
function asIntended(view) {
  const phase = view.state("phase", "ground")?.body?.phase;
  const rule = { pad: onPad, boost, coast, descent, landed }[phase];
  return rule ? rule(view) : "Heard; no phase told yet";
}

function onPad(view) {
  const heard = view.store.lastHeard(view.rxLimit);
  return `On the ground, heard ${age(view.cursor.rx - heard)} ago`;
}

/** How it leans on the way up, rad, where that is told. */
const tiltOf = (view) => (view.tells("ground.tilt") ? view.value("ground.tilt") : undefined);

function noseWords(view) {
  const tilt = tiltOf(view);
  return finite(tilt) ? `, nose ${fixed(tilt * DEG, 0)}\u00b0 from vertical` : "";
}

const boost = (view) => `The motor burns${noseWords(view)}`;

function coast(view) {
  const steers = view.value("control.enabled") === 1 ? "The fins steer" : "Coasting";
  return steers + noseWords(view);
}

const UNDER = { both: "under both chutes", one: "under ONE chute", none: "under NO chute" };

function descent(view) {
  const climb = view.tells("ground.climb_rate") ? view.sample("ground.climb_rate") : undefined;
  const rate = climb && !climb.stale && climb.value < 0 ? ` ${speedText(-climb.value)}` : "";
  const under = UNDER[view.state("figure", "descent")?.body?.under];
  const moment = view.moment("deployment");
  const isOut = moment && moment.on !== false;
  return `Coming down${rate}${under ? `, ${under}` : isOut ? ", chutes commanded" : ", no deployment seen yet"}`;
}

function landed(view) {
  const moment = view.moment("landing");
  return moment ? `Landed ${age(Math.max(0, view.cursor.t - moment.t))} ago` : "Landed";
}

function silent(view) {
  const { who, for_s } = view.silence;
  const last = view.moment("landing") ? "; landed before that" : "";
  const words = finite(for_s) ? `The ${who} is silent for ${age(for_s)}` : `Nothing heard from the ${who} yet`;
  return { words: words + last, tone: finite(for_s) ? "warning" : "caution" };
}

const motions = (view) => ({
  flying: view.inFlight,
  pastTop: Boolean(view.moment("apogee")),
  landed: Boolean(view.moment("landing")),
});

/** Without what stands in brackets and a last full stop: the list of alarms has all of it. */
const shortened = (text) => text.replace(/\s*\([^()]*\)/g, "").replace(/\.$/, "");

/**
 * @param {import("../../session/view.js").View} view
 * @returns {{words: string, tone: "warning"|"caution"|"none", more: number}} `more` alarms stand beside it
 */
export function worstOf(view) {
  const alarms = view.alarms();
  if (alarms.length > 0) {
    const [first] = alarms;
    const then = view.silence && first.key !== OF_NOW ? ", as last heard" : "";
    const seen = first.acknowledged ? " (seen)" : "";
    const words = `${sentence(withSigns(shortened(first.text || first.key)))}${seen}${then}`;
    return { words, tone: TONES[first.severity] ?? "none", more: alarms.length - 1 };
  }
  if (view.silence) return { ...silent(view), more: 0 };
  const isPast = leanOf(tiltOf(view) * DEG, motions(view)) === "past";
  return { words: asIntended(view), tone: isPast ? "caution" : "none", more: 0 };
}
