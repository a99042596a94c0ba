// Banners above everything else: demo, replay, rehearsal, station silent, nothing to show yet.

import { h, setHidden, setText, setTone } from "../kit/dom.js";
import { dayTime, duration } from "../kit/format.js";
import { STATION_GONE } from "../kit/silence_words.js";
import { isRehearsalBuild, rehearsalOf } from "../session/rehearsal.js";

export function Banners(el, acts) {
  const demo = h("p", {
    class: "banner -demo",
    testid: "banner-demo",
    text: "DEMO \u2014 simulated vehicle, every number invented",
  });
  const what = h("span", { class: "replay-what" });
  const beside = h("span", { class: "replay-live", testid: "replay-live" });
  const back = h("button", {
    type: "button",
    class: "act",
    text: "Back to live",
    testid: "back-to-live",
    on: { click: () => acts.live() },
  });
  const replay = h(
    "div",
    { class: "banner -replay", testid: "replay-banner" },
    h("p", {}, h("b", { text: "REPLAY" }), what),
    beside,
    back,
  );
  const which = h("span");
  const rehearsal = h(
    "p",
    { class: "banner -rehearsal", testid: "banner-rehearsal" },
    h("b", { text: "REHEARSAL" }),
    which,
  );
  const build = h("p", {
    class: "banner -build",
    testid: "banner-build",
    role: "alert",
    text: "\u2715 REHEARSAL BUILD, not for flight. Outside a rehearsal it is told to arm and fire nothing.",
  });
  const since = h("span");
  const instead = h("span", { class: "silent-instead", text: STATION_GONE });
  const silent = h("p", { class: "banner -silent", testid: "banner-silent", role: "alert" }, since, instead);
  el.append(silent, rehearsal, build, replay, demo);
  return {
    /**
     * @param {object} page  @param {import("../session/view.js").View|null} shown what is looked at
     * @param {{text:string, tone:string}|null} live the live session beside a replay, in one line
     */
    update({ about, desk, mode, replay: open, silentSince, simulated, now }, shown, live) {
      const told = shown ? rehearsalOf(shown.store, shown.rxLimit) : "";
      setHidden(rehearsal, !told);
      setText(which, open ? ` \u2014 on the bench, nothing of this was flown: ${told}` : REHEARSED);
      // It stands at every place, so at Ready too, and nothing ticks it away.
      setHidden(build, Boolean(open) || !isRehearsalBuild(shown?.store));
      setHidden(demo, !(simulated || about?.mode === "demo") || Boolean(open));
      setHidden(replay, !open);
      setHidden(back, mode === "replay");
      setText(
        what,
        open
          ? ` \u2014 ${replayWords(mode, desk)} Recording: ${open.label}${simulated ? ", simulated vehicle" : ""}`
          : "",
      );
      setHidden(beside, !live);
      setText(beside, live?.text ?? "");
      setTone(beside, live?.tone);
      setHidden(silent, silentSince === null || mode === "replay");
      if (silentSince !== null) setText(since, silenceWords(now - silentSince, Boolean(open)));
    },
  };
}

const REHEARSED =
  " \u2014 on the bench, nothing of this flies. Igniters, ejection charges and motor out; hands clear of the fins.";

function silenceWords(silentMs, beside) {
  const since = `STATION SILENT since ${dayTime(Date.now() - silentMs)}, for ${duration(silentMs / 1000)}.`;
  const known = beside ? "Nothing of the live vehicle is known." : "Nothing below is current.";
  return `${since} ${known}`;
}

/** What a replay can and cannot reach. */
export function replayWords(mode, desk) {
  if (mode === "replay") return "nothing can be transmitted.";
  if (!desk) return "no command can be given from here.";
  return "no command can be given from here; Safe all still reaches the live vehicle.";
}
