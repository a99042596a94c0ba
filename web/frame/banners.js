// Banners above everything else: demo, replay, station silent, nothing to show yet.

import { h, setHidden, setText, setTone } from "../kit/dom.js";
import { dayTime, duration } from "../kit/format.js";
import { STATION_GONE } from "../kit/silence_words.js";

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
  const since = h("span");
  const instead = h("span", { class: "silent-instead", text: STATION_GONE });
  const silent = h("p", { class: "banner -silent", testid: "banner-silent", role: "alert" }, since, instead);
  el.append(silent, replay, demo);
  return {
    /**
     * @param {object} page  @param {{text:string, tone:string}|null} live the live session beside a replay, in one line
     */
    update({ about, desk, mode, replay: open, silentSince, simulated, now }, live) {
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
