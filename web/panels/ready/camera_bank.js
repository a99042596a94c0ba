// The camera bank: one row per camera, two acts each. What is shown comes only from telemetry.

import { absent, builder, h, s, setAttr, setHidden, setText, setTone } from "../../kit/dom.js";
import { duration, limitState, sentence, valueWithUnit } from "../../kit/format.js";
import { sampleWords, wasAgo } from "../../kit/silence_words.js";
import { batteryGauge, gaugeWords } from "../../pictures/battery_gauge.js";
import { commandFor, family } from "../../session/roles.js";
import { chargeToSpend, minutes, padCost } from "./pad_time.js";

export function CameraBank(el, acts) {
  const once = builder();
  let rows = [];
  function build(view) {
    const cameras = family(view.store.roles, "camera");
    rows = cameras.map((name) => CameraRow(name, view, acts));
    const battery = Battery(cameras);
    el.replaceChildren(...(rows.length ? rows.map((row) => row.el) : [absent("Cameras are")]), battery.el);
    rows.push(battery);
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
    h("div", { class: "camera-what" }, h("span", { class: "camera-name", text: title }), state, facts),
    h("div", { class: "camera-acts" }, power.button, record.button),
  );

  function Toggle(camera, what, command, words, testid) {
    const button = h("button", { type: "button", class: "act", testid, hidden: !command });
    let on = false;
    button.addEventListener("click", () => acts.send(command.name, { camera: Number(name), on: on ? 0 : 1 }));
    return {
      button,
      /** `instead` says why it cannot be switched on now. */
      update(view, value, instead) {
        on = value === 1;
        const text = on ? words[1] : (instead ?? words[0]);
        setText(button, text);
        setAttr(button, "aria-label", `${text}: ${camera} ${what}`);
        setAttr(button, "disabled", !view.page.canCommand || (!on && Boolean(instead)));
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
      record.update(view, recording?.value, notYet(powered));
    },
  };
}

/** Why a camera cannot record now: what is off records nothing, and of what is not heard nobody knows. */
function notYet(powered) {
  if (!powered) return undefined;
  if (powered.stale || powered.value === undefined) return "Not heard";
  return powered.value === 1 ? undefined : "Switch it on first";
}

const ASKS_EVERY_S = 1; // a picture is drawn anew at most once a second for who hears it

/** Minutes of the battery as a bar, the cameras as slices of it, and the same in words. */
function Battery(cameras) {
  const left = s("rect", { class: "gauge-left", x: 0, y: 0 });
  const slices = cameras.map(() => s("rect", { class: "gauge-slice", y: 0 }));
  const names = cameras.map(() => s("text", { class: "gauge-name", "text-anchor": "middle" }));
  const wanted = s("line", { class: "gauge-wanted" });
  const picture = s("svg", { class: "gauge", role: "img" }, left, ...slices, ...names, wanted);
  const volts = h("span", { class: "gauge-volts", testid: "battery-volts" });
  const minutesLeft = h("b", { class: "gauge-minutes", testid: "battery-minutes" });
  const cost = h("p", { class: "facts pad-cost", testid: "pad-cost" });
  const el = h(
    "div",
    { class: "battery" },
    h("p", { class: "battery-head" }, h("span", { text: "Battery" }), minutesLeft, volts),
    picture,
    cost,
  );
  let said = -Infinity;

  function draw(gauge) {
    setAttr(picture, "viewBox", `0 0 ${gauge.width} ${gauge.height}`);
    setAttr(picture, "preserveAspectRatio", "none");
    setAttr(left, "width", gauge.left_width);
    for (const part of [left, ...slices]) setAttr(part, "height", gauge.height);
    cameras.forEach((name, i) => {
      const slice = gauge.slices.find((one) => one.name === name);
      setHidden(slices[i], !slice);
      setHidden(names[i], !slice || slice.width < NAME_PX);
      if (!slice) return;
      setAttr(slices[i], "x", slice.x);
      setAttr(slices[i], "width", slice.width);
      setAttr(names[i], "x", slice.x + slice.width / 2);
      setAttr(names[i], "y", gauge.height - 6);
      setText(names[i], name);
    });
    setHidden(wanted, gauge.wanted_x === null);
    if (gauge.wanted_x === null) return;
    for (const end of ["x1", "x2"]) setAttr(wanted, end, gauge.wanted_x);
    setAttr(wanted, "y2", gauge.height);
  }

  return {
    el,
    update(view) {
      setHidden(el, !view.has("battery.voltage") && !view.has("battery.current"));
      const volt = view.sample("battery.voltage");
      setText(volts, volt ? sampleWords(volt) : "");
      const isLost = Boolean(view.sample("battery.current")?.stale);
      const asked = view.store.dictionary.sheet?.pad_minutes;
      const drawn = cameras.map((name) => ({ name, current: view.value(`camera[${name}].current`) }));
      const gauge = isLost ? null : batteryGauge(toSpend(view), view.value("battery.current"), drawn, asked);
      setHidden(picture, !gauge);
      setText(minutesLeft, gauge ? `${whole(gauge.left_min)} left to wait` : isLost ? "minutes unknown" : "");
      setTone(el, gauge?.is_short ? "caution" : isLost ? "stale" : "none");
      setText(cost, costWords(view, cameras));
      if (!gauge) return;
      draw(gauge);
      if (Math.abs(view.cursor.rx - said) < ASKS_EVERY_S) return;
      said = view.cursor.rx;
      setAttr(picture, "aria-label", gaugeWords(gauge, asked));
    },
  };
}

const NAME_PX = 14; // a narrower slice has no room for its camera's number

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
