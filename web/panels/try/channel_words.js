// How channels are found and named: by their words, by the words people of the trade say, by unit; and which channels
// belong together. Pure.

import { unitText } from "../../kit/format.js";
import { titleOf } from "../../strips/channel_title.js";

/** Roles and what else people call them. */
const CALLED = [
  [/(^|\.)level$/, "rssi signal strength radio reception"],
  [/link_loss|frames_(good|bad)|link_(lost|damaged|received|repeated)/, "packet error crc quality radio"],
  [/^battery\.|^servo_bus\.voltage/, "vbat supply volts lipo pack"],
  [/current$/, "amps ampere draw consumption"],
  [/charge_used/, "capacity mah consumed"],
  [/^accel\./, "acceleration g-force imu"],
  [/^(gyro|body_rate)\./, "gyroscope rate spin imu roll pitch yaw"],
  [/^(gyro|body_rate)\.z|ground\.roll/, "roll spin"],
  [/attitude_quaternion/, "orientation attitude quat"],
  [/ground\.(tilt|azimuth|cone)/, "lean angle attitude inclination wobble coning"],
  [/^pressure$|baro_/, "baro barometer static"],
  [/height|position\.up|altitude/, "altitude height agl alt"],
  [/climb_rate|velocity/, "speed velocity climb vertical"],
  [/predicted_apogee/, "top peak forecast apogee"],
  [/^fin\[/, "servo deflection surface canard"],
  [/^channel\[/, "motor igniter pyro squib ematch"],
  [/^recovery\[/, "chute parachute pyro deploy drogue main"],
  [/storage_left/, "memory card sd disk space"],
  [/^camera\[/, "video"],
  [/gnss|position\./, "gps place coordinates"],
  [/temperature/, "temp heat"],
  [/vehicle_phase|control\./, "state mode"],
];

/** What a group of channels is called, by the beginning of its role. */
const TOGETHER = {
  accel: "Force",
  gyro: "Gyro",
  body_rate: "Body rates",
  attitude_quaternion: "Attitude",
  rail: "Rails",
};
const SAID = { commanded: "asked", storage_left: "storage" };
const MOST_TOGETHER = 8;

const calledOf = (role) => CALLED.filter(([family]) => family.test(role)).map(([, words]) => words);
const unitsOf = ({ unit, display_unit }) => [display_unit, unit, unitText(display_unit || unit)].filter(Boolean);

/** All words of a channel, small: what a search looks in. */
export function wordsOf(binding) {
  const { column, meta } = binding;
  const { channel, label, role, description } = column;
  const more = role ? calledOf(role) : [];
  return [titleOf(binding), channel, label, role, description, meta?.title, ...more]
    .filter(Boolean)
    .join(" ")
    .toLowerCase();
}

/** Does a channel answer a search? Every word must be in its words, or be its unit. */
export function answers({ words, column }, search) {
  const units = unitsOf(column).map((one) => one.toLowerCase());
  return search
    .toLowerCase()
    .split(/\s+/)
    .filter(Boolean)
    .every((word) => words.includes(word) || units.includes(word));
}

/** Channels that belong together, as a person would chart them in one: [{title, bindings}]. */
export function groupsOf(bindings) {
  const found = new Map();
  for (const binding of bindings) {
    const { role, kind } = binding.column;
    const key =
      kind === "number" && role && role.replace(/\.[wxyz]$|\.(east|north|up)$/, ".*").replace(/\[[^\]]+\]/, "[*]");
    if (key && key !== role) found.set(key, [...(found.get(key) ?? []), binding]);
  }
  return [...found]
    .filter(([, group]) => group.length > 1 && group.length <= MOST_TOGETHER)
    .map(([key, group]) => ({ title: groupTitle(key), bindings: group }));
}

function groupTitle(key) {
  const [first, ...rest] = key
    .replace("[*]", "")
    .split(".")
    .filter((part) => part !== "*");
  const name = TOGETHER[first] ?? `${first[0].toUpperCase()}${first.slice(1)}`.replaceAll("_", " ");
  const plural = key.includes("[*]") && !TOGETHER[first] ? `${name}s` : name;
  return [plural, ...rest.map((part) => SAID[part] ?? part.replaceAll("_", " "))].join(" ");
}
