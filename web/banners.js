// Banners above everything else: demo, replay, station silent, nothing to show yet.

import { duration } from "./format.js";
import { h, setHidden, setText } from "./dom.js";

const HASH_WORDS = 8;

export function Banners(el, acts) {
  const demo = h("p", { class: "banner -demo", testid: "banner-demo", text: "DEMO \u2014 simulated vehicle, every number invented" });
  const name = h("span");
  const back = h("button", { type: "button", class: "act", text: "Back to live", testid: "back-to-live", on: { click: () => acts.live() } });
  const replay = h("div", { class: "banner -replay", testid: "replay-banner" }, h("b", { text: "REPLAY" }), " \u2014 nothing can be transmitted. ", name, back);
  const silent = h("p", { class: "banner -silent", testid: "banner-silent", role: "alert" });
  const trouble = h("div", { class: "banner -trouble", role: "alert" }, h("span"), h("button", { type: "button", class: "act", text: "Dismiss", on: { click: () => acts.dismiss() } }));
  el.append(silent, replay, demo, trouble);
  return {
    update({ about, replay: open, silentSince, trouble: sentence, simulated, now }) {
      setHidden(demo, !(simulated || about?.mode === "demo") || Boolean(open));
      setHidden(replay, !open);
      setHidden(back, about?.mode === "replay");
      setText(name, open ? `${open.label}${simulated ? ", simulated vehicle" : ""} ` : "");
      setHidden(silent, silentSince === null || Boolean(open));
      if (silentSince !== null) setText(silent, `STATION SILENT for ${duration((now - silentSince) / 1000)}. Nothing below is current. Is the station's program still running?`);
      setHidden(trouble, !sentence);
      setText(trouble.firstChild, sentence ?? "");
    },
  };
}

/** Short form of a dictionary hash, for comparing by eye. */
export function shortHash(hash) {
  return String(hash ?? "").slice(0, HASH_WORDS);
}
