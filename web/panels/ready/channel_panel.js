// Firing channels as plain pictures of their state: a shape and a word, never color alone.

import { armedFor } from "../../kit/dangers.js";
import { absent, builder, h, s, setAttr, setText, setTone } from "../../kit/dom.js";
import { heardAgo } from "../../kit/silence_words.js";
import { channelState } from "../../session/channel_state.js";
import { commandFor, family } from "../../session/roles.js";

/**
 * The circuit drawn: two terminals and what is between them. open = a break, continuous = a closed line, inhibited = a
 * closed line behind a bar, armed = a filled triangle with a stroke, fired = a burst, unknown = a question mark in a
 * hatched field.
 */
const PICTURES = {
  open: ["M4 24 H22 M42 24 H60 M22 18 V30 M42 18 V30"],
  continuous: ["M4 24 H60", "M26 24 A6 6 0 1 0 38 24 A6 6 0 1 0 26 24"],
  inhibited: ["M4 24 H60", "M24 8 H40 V40 H24 Z", "M24 40 L40 8"],
  armed: ["M4 24 H14 M50 24 H60", "M32 4 L54 42 H10 Z", "M32 17 V30 M32 35 V37"],
  fired: [
    "M4 24 H16 M48 24 H60",
    "M32 4 L36 17 L48 11 L42 23 L54 28 L41 31 L44 43 L34 35 L26 45 L25 33 L11 34 L22 26 L14 15 L27 19 Z",
  ],
  unknown: ["M4 24 H12 M52 24 H60", "M12 4 H52 V44 H12 Z", "M26 18 A6.5 6.5 0 1 1 33 25 V30 M33 36 V38"],
};

/** Lateral motors: family "channel", with the board's inhibit. */
export function LateralPanel(el, acts) {
  return BankPanel(el, acts, {
    family: "channel",
    title: "Motor",
    none: "Lateral motors are",
    board: "board.inhibited",
  });
}

/** Recovery channels: family "recovery". */
export function RecoveryChannels(el, acts) {
  return BankPanel(el, acts, { family: "recovery", title: "Recovery", none: "Recovery channels are" });
}

function BankPanel(el, acts, options) {
  const once = builder();
  let tiles = [];
  let board;
  function build(view) {
    const names = family(view.store.roles, options.family).filter((name) =>
      ["armed", "continuity", "fired"].some((part) => view.has(`${options.family}[${name}].${part}`)),
    );
    tiles = names.map((name) => ChannelTile(name, options, view, acts));
    board = options.board && view.has(options.board) ? BoardLine(options.board, view, acts) : undefined;
    el.replaceChildren(
      ...(board ? [board.el] : []),
      h("div", { class: "channel-bank" }, ...tiles.map((tile) => tile.el)),
    );
    if (names.length === 0) el.replaceChildren(absent(options.none));
  }
  return {
    update(view) {
      once(view.store, () => build(view));
      board?.update(view);
      for (const tile of tiles) tile.update(view);
    },
  };
}

function ChannelTile(name, options, first, acts) {
  const role = (part) => `${options.family}[${name}].${part}`;
  const label =
    first.store.roles.get(role("continuity"))?.column.label ?? first.store.roles.get(role("armed"))?.column.label;
  const title = label ? `${options.title} ${name}, ${label}` : `${options.title} ${name}`;
  const picture = s("svg", { class: "channel-picture", viewBox: "0 0 64 48", "aria-hidden": "true" });
  const word = h("span", { class: "state-word", testid: `${options.family}-${name}-state` });
  const since = h("span", { class: "facts" });
  const buttons = ["arm", "fire", "safe"].map((act) => ActButton(act));
  const el = h(
    "div",
    { class: options.silent ? "channel -silent" : "channel", role: "group", "aria-label": title },
    picture,
    h("div", { class: "channel-what" }, h("span", { class: "channel-name", text: title, title }), word, since),
    h("div", { class: "channel-acts" }, ...buttons.filter(Boolean)),
  );
  let drawn = "";

  function ActButton(act) {
    const command = commandFor(first.store.dictionary, `${options.family}_${act}`);
    if (!command) return undefined;
    const words = { arm: "Arm\u2026", fire: "Fire\u2026", safe: "Safe" }[act];
    return h("button", {
      type: "button",
      class: `act -${command.hazard}`,
      text: words,
      title: command.title,
      "aria-label": `${words} ${command.title}, ${title}`,
      on: { click: () => acts.begin(command.name, { channel: Number(name) }) },
    });
  }

  return {
    el,
    update(view) {
      const [armed, continuity, fired] = ["armed", "continuity", "fired"].map((part) => view.sample(role(part)));
      const picked = channelState({
        armed,
        continuity,
        fired,
        inhibited: options.board && view.sample(options.board),
      });
      setText(word, picked.word);
      const long = picked.state === "armed" ? armedFor(view, role("armed")) : "";
      setText(
        since,
        [long && `armed ${long}`, heardAgo((armed ?? continuity ?? fired).age)].filter(Boolean).join(" \u00b7 "),
      );
      // In flight an armed parachute is as it should be; on the ground it is a danger to whoever walks up.
      setTone(
        el,
        picked.state === "armed" && options.family === "recovery" && view.inFlight ? "expected" : picked.tone,
      );
      setAttr(el, "data-state", picked.state);
      if (drawn !== picked.state) {
        drawn = picked.state;
        picture.replaceChildren(...PICTURES[picked.state].map((d) => s("path", { d })));
      }
      for (const button of buttons) if (button) setAttr(button, "disabled", !view.page.canCommand);
    },
  };
}

function BoardLine(role, first, acts) {
  const word = h("span", { class: "state-word", testid: "board-state" });
  const inhibit = commandFor(first.store.dictionary, "board_inhibit");
  const release = commandFor(first.store.dictionary, "board_release");
  const buttons = [
    inhibit &&
      h("button", {
        type: "button",
        class: "act",
        text: inhibit.title,
        on: { click: () => acts.begin(inhibit.name, {}) },
      }),
    release &&
      h("button", {
        type: "button",
        class: `act -${release.hazard}`,
        text: `${release.title}\u2026`,
        on: { click: () => acts.begin(release.name, {}) },
      }),
  ].filter(Boolean);
  const el = h(
    "div",
    { class: "board" },
    h("span", { class: "channel-name", text: "Firing board" }),
    word,
    h("div", { class: "channel-acts" }, ...buttons),
  );
  return {
    el,
    update(view) {
      const sample = view.sample(role);
      const unknown = sample.stale || !Number.isFinite(sample.value);
      const heard = sample.value === 1 ? "Inhibited, nothing can fire" : "RELEASED";
      setText(word, unknown ? "Unknown, treat as released" : heard);
      setTone(el, unknown || sample.value !== 1 ? "danger" : "none");
      for (const button of buttons) setAttr(button, "disabled", !view.page.canCommand);
    },
  };
}
