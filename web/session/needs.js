// What the station's own channels rest on. They stand in every session's tables; without what they need they never
// come, and the page says so once instead of drawing nothing. Pure.

const all = (name, parts) => parts.map((part) => `${name}.${part}`);
const ATTITUDE = ["attitude", [all("attitude_quaternion", ["w", "x", "y", "z"])]];
const VELOCITY = ["velocity", [all("velocity", ["east", "north", "up"])]];
const HEIGHT = ["pressure or altitude", [["pressure"], ["altitude_baro"]]];

/** Families of the station's roles, and what each needs: [its name in words, sets of roles of which one is enough]. */
const NEEDS = [
  [/^ground\.(height|height_raw|climb_rate|predicted_apogee.*)$/, [HEIGHT]],
  [/^ground\.(tilt|azimuth|roll|cone.*)$/, [ATTITUDE]],
  [/^ground\.speed$/, [ATTITUDE, VELOCITY]],
  [/^ground\.units_force$/, [["a second accelerometer", [all("accel.b", ["x", "y", "z"])]]]],
  [/^ground\.units_rate$/, [["a second gyro", [all("gyro.b", ["x", "y", "z"])]]]],
  [/^ground\.pad_minutes/, [["battery current", [["battery.current"]]]]],
];

/**
 * What a role of the station's lacks among the roles of a dictionary, in words; "" when nothing.
 * @param {Map<string, object>} roles @param {string} role
 */
export function lacking(roles, role) {
  const needs = NEEDS.find(([family]) => family.test(role))?.[1] ?? [];
  return needs
    .filter(([, sets]) => !sets.some((set) => set.every((one) => roles.has(one))))
    .map(([words]) => words)
    .join(" and ");
}
