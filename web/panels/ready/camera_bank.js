// The camera bank: one row per camera, two acts each. What is shown comes only from telemetry.

import { absent, builder, h, setAttr, setText, setTone } from "../../kit/dom.js";
import { duration, limitState, sentence, valueWithUnit } from "../../kit/format.js";
import { wasAgo } from "../../kit/silence_words.js";
import { commandFor, family } from "../../session/roles.js";
import { chargeToSpend, minutes, padCost } from "./pad_time.js";

export function CameraBank(el, acts) {
  const once = builder();
  let rows = [];
  function build(view) {
    const cameras = family(view.store.roles, "camera");
    rows = cameras.map((name) => CameraRow(name, view, acts));
    const cost = h("p", { class: "facts pad-cost", testid: "pad-cost" });
    el.replaceChildren(...(rows.length ? [...rows.map((row) => row.el), cost] : [absent("Cameras are")]));
    if (rows.length) rows.push({ update: (now) => setText(cost, costWords(now, cameras)) });
  }
  return {
    update(view) {
      once(view.store, () => build(view));
      for (const row of rows) row.update(view);
    },
  };
}

function CameraRow(name, first, acts) {
  const { roles, dictionary } = first.store;
  const label = roles.get(`camera[${name}].powered`)?.column.label ?? "";
  const title = `Camera ${name}${label ? `, ${label}` : ""}`;
  const state = h("span", { class: "state-word", testid: `camera-${name}-state` });
  const facts = h("span", { class: "facts" });
  const power = Toggle(
    title,
    "power",
    commandFor(dictionary, "camera_power"),
    ["Switch on", "Switch off"],
    `camera-${name}-power`,
  );
  const record = Toggle(
    title,
    "recording",
    commandFor(dictionary, "camera_record"),
    ["Record", "Stop recording"],
    `camera-${name}-record`,
  );
  const el = h(
    "div",
    { class: "camera", role: "group", "aria-label": title },
    h("div", { class: "camera-what" }, h("span", { class: "camera-name", text: title }), state),
    h("div", { class: "camera-acts" }, power.button, record.button),
    facts,
  );

  function Toggle(camera, what, command, words, testid) {
    const button = h("button", { type: "button", class: "act", testid, hidden: !command });
    let on = false;
    button.addEventListener("click", () => acts.send(command.name, { camera: Number(name), on: on ? 0 : 1 }));
    return {
      button,
      update(view, value) {
        on = value === 1;
        setText(button, on ? words[1] : words[0]);
        setAttr(button, "aria-label", `${on ? words[1] : words[0]}: ${camera} ${what}`);
        setAttr(button, "disabled", !view.page.canCommand);
      },
    };
  }

  return {
    el,
    update(view) {
      const powered = view.sample(`camera[${name}].powered`);
      const recording = view.sample(`camera[${name}].recording`);
      const storage = view.sample(`camera[${name}].storage_left`);
      const [word, tone] = describe(powered, recording);
      setText(state, word);
      setTone(el, tone);
      const limit = storage && limitState(storage.column, storage.value);
      const since = powered?.value === 1 ? view.since(`camera[${name}].powered`) : undefined;
      setText(
        facts,
        [
          powered?.stale && wasAgo(wordOf(powered, recording), powered.age),
          !powered?.stale && since !== undefined && `on for ${duration(view.cursor.rx - since)}`,
          storage?.value !== undefined &&
            `${valueWithUnit(storage.column, storage.value)} left${storage.stale ? " then" : limit ? ", low" : ""}`,
          !powered?.stale && current(view, name),
          !powered?.stale && costOf(view, view.sample(`camera[${name}].current`)),
        ]
          .filter(Boolean)
          .join("  \u00b7  "),
      );
      setTone(facts, storage?.stale ? "none" : limit);
      power.update(view, powered?.value);
      record.update(view, recording?.value);
    },
  };
}

const whole = (value) => `${Math.round(value)} min`;

const toSpend = (view) => chargeToSpend(view.store.dictionary.sheet, view.value("battery.charge_used"));

/** What one camera's measured current costs in pad minutes. */
function costOf(view, sample) {
  const cost = padCost(toSpend(view), view.value("battery.current"), sample?.value);
  return cost && `costs ${whole(cost.cost)}`;
}

/** What the cameras together cost, from measured currents and the vehicle sheet's battery. */
function costWords(view, cameras) {
  const charge = toSpend(view);
  if (charge === undefined)
    return view.has("battery.charge_used") ? "Pad minutes: the vehicle sheet gives no battery." : "";
  if (view.sample("battery.current")?.stale) return "Pad time unknown: the vehicle is not heard.";
  const drawn = cameras.reduce((sum, name) => sum + (view.value(`camera[${name}].current`) || 0), 0);
  const total = view.value("battery.current");
  const cost = padCost(charge, total, drawn);
  if (cost) return `Pad time ${whole(cost.now)}, cameras off ${whole(cost.without)}: they cost ${whole(cost.cost)}`;
  const left = minutes(charge, total);
  return left === undefined ? "" : `Pad time ${whole(left)}, cameras off, if full at switch-on`;
}

function current(view, name) {
  const sample = view.sample(`camera[${name}].current`);
  return sample?.value !== undefined && valueWithUnit(sample.column, sample.value);
}

function describe(powered, recording) {
  if (!powered || powered.value === undefined) return ["Unknown", "stale"];
  if (powered.stale) return ["Unknown", "stale"];
  const tone = powered.value !== 1 ? "off" : recording?.value === 1 ? "recording" : "on";
  return [sentence(wordOf(powered, recording)), tone];
}

function wordOf(powered, recording) {
  if (powered.value !== 1) return "off";
  return recording?.value === 1 ? "on, recording" : "on";
}
