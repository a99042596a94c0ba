// One notice beside the places: why something asked for was not done, or that command authority was lost.
// It lies over nothing and goes by itself, because nothing may move or hide under a hand.

import { h, setAttr, setHidden, setText } from "../kit/dom.js";

export const SHOWN_MS = 6000;

/**
 * A notice of a refusal. Its words say that nothing was sent: nothing waits anywhere to be sent later.
 * @param {string} asked the kind of message that was refused  @param {{sentence:string, late?:boolean}} reply
 * @param {{link: string|undefined, yours: boolean}} situation when it was said
 */
export function refusal(asked, { sentence, late }, situation, now) {
  const plain = sentence.replace(/^not (sent|ready): /i, "");
  const said = `${plain[0].toUpperCase()}${plain.slice(1)}${/[.!?]$/.test(plain) ? "" : "."}`;
  // Without a reply nobody knows, and only a command can be "not sent".
  const text = late || !["send", "arm", "confirm"].includes(asked) ? said : `Not sent. ${said}`;
  return { text, until: now + SHOWN_MS, situation };
}

/** Is it over? After its time, or when what caused it is gone: the link is up again, the authority is one's own. */
export function isOver(notice, situation, now) {
  if (notice.until !== undefined && now > notice.until) return true;
  const { situation: then } = notice;
  if (!then) return false;
  return (then.link !== "up" && situation.link === "up") || (!then.yours && situation.yours);
}

/**
 * What to tell when the desk's state changed: authority lost to somebody or to nobody; undefined when it was not lost.
 */
export function authorityNotice(before, after) {
  if (!before?.yours || after?.yours) return undefined;
  const connected = after?.open
    ? "You no longer hold command authority"
    : "The desk lost the station, and with it command authority";
  const what = after?.holder ? `${after.holder} now holds command authority` : connected;
  return {
    text: `${what}. What was ready was dropped, nothing of it was sent.`,
    situation: { link: "up", yours: false },
  };
}

/** The one notice that stands; nothing else writes it. */
export class Notices {
  #now = null;

  get current() {
    return this.#now;
  }

  /** @param {object|null} notice a refusal, an authority lost, or null */
  say(notice) {
    this.#now = notice;
  }

  /** A trouble of the page itself stands until it is over; null ends it, and nothing else. */
  trouble(sentence) {
    if (sentence) this.#now = { text: sentence, trouble: true };
    else if (this.#now?.trouble) this.#now = null;
  }

  /** What is over goes. */
  sweep(situation, now) {
    if (this.#now && isOver(this.#now, situation, now)) this.#now = null;
  }
}

export function NoticeLine(el, acts) {
  const words = h("span", { class: "notice-words" });
  const dismiss = h("button", {
    type: "button",
    class: "act",
    text: "Dismiss",
    "aria-label": "Dismiss this notice",
    on: { click: () => acts.dismiss() },
  });
  el.append(words, dismiss);
  setAttr(el, "data-testid", "notice");
  return {
    update(notice) {
      setHidden(el, !notice);
      setText(words, notice?.text ?? "");
    },
  };
}
