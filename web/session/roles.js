// What the page binds to: roles, never packet or field names.

/**
 * @typedef {{table:string, index:number, column:object, meta:object}} Binding
 * @param {object} dictionary as /dictionary gives it
 * @returns {Map<string, Binding>} role -> where its values are
 */
export function bindRoles(dictionary) {
  const roles = new Map();
  for (const meta of dictionary.tables) {
    meta.columns.forEach((column, index) => {
      if (column.role && !roles.has(column.role)) roles.set(column.role, { table: meta.name, index, column, meta });
    });
  }
  return roles;
}

/** The members of a family such as camera[1], camera[2]: their names in natural order. */
export function family(roles, name) {
  const found = new Set();
  for (const role of roles.keys()) {
    const match = role.match(/^([a-z_]+)\[([^\]]+)\]/);
    if (match && match[1] === name) found.add(match[2]);
  }
  return [...found].sort((a, b) => a.localeCompare(b, "en", { numeric: true }));
}

/** The families of which a member can be armed, in the dictionary's order: what a person nearby must know of. */
export function armedFamilies(roles) {
  const found = [...roles.keys()].map((role) => role.match(/^([a-z_]+)\[[a-z0-9_]+\]\.armed$/)?.[1]);
  return [...new Set(found.filter(Boolean))];
}

// How an act is found among the dictionary's commands: by the effect it declares, or, when the dictionary sent to
// the page carries no effects, by the name the demonstration dictionary uses.
const ACTS = {
  camera_power: { effect: "camera[{camera}].powered" },
  camera_record: { effect: "camera[{camera}].recording" },
  channel_arm: { effect: "channel[{channel}].armed", value: 1 },
  channel_safe: { effect: "channel[{channel}].armed", value: 0 },
  channel_fire: { effect: "channel[{channel}].fired", value: 1 },
  recovery_arm: { effect: "recovery[{channel}].armed", value: 1 },
  recovery_safe: { effect: "recovery[{channel}].armed", value: 0 },
  recovery_fire: { effect: "recovery[{channel}].fired", value: 1 },
  board_inhibit: { effect: "board.inhibited", value: 1 },
  board_release: { effect: "board.inhibited", value: 0 },
  fin_move: { effect: "fin[{fin}].measured" },
  fin_center: { effect: "fin[*].measured", value: 0 },
  ping: {},
};

/** The dictionary's command for one of the page's own acts, or undefined: then the act is not offered. */
export function commandFor(dictionary, act) {
  const { effect, value } = ACTS[act];
  const single = (command) => !command.safes_all;
  const byEffect =
    effect &&
    dictionary.commands.find(
      (command) =>
        single(command) &&
        command.effect &&
        effect in command.effect &&
        (value === undefined || command.effect[effect] === value),
    );
  return byEffect || dictionary.commands.find((command) => command.name === act);
}

/** The command that safes everything, or undefined. */
export function safeAllCommand(dictionary) {
  return dictionary.commands.find((command) => command.safes_all);
}
