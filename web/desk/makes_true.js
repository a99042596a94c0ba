// Which command makes a condition true, and what state a command's choice would change: both read off what the
// dictionary declares, so that another vehicle's commands need no line here. Pure.

const HAZARDS = ["routine", "guarded", "hazardous"];

/**
 * A role with the arguments that are known filled in: "channel[{channel}].armed", {channel: 2} -> "channel[2].armed"
 */
export function filled(role, args) {
  return role.replace(/\{(\w+)\}/g, (place, name) => (name in args ? String(args[name]) : place));
}

/**
 * What an effect's role binds when it is to be `role`: {channel: 2}, {} where nothing, null where it is another one.
 */
function bound(effectRole, role) {
  const names = [];
  const pattern = effectRole
    .split(/(\{\w+\}|\*)/)
    .map((part) => {
      if (part === "*") return "[^\\]]+";
      const name = part.match(/^\{(\w+)\}$/)?.[1];
      if (!name) return part.replace(/[.*+?^${}()|[\]\\]/g, "\\$&");
      names.push(name);
      return "([^\\]]+)";
    })
    .join("");
  const found = role.match(new RegExp(`^${pattern}$`));
  return found && Object.fromEntries(names.map((name, i) => [name, Number(found[i + 1])]));
}

/** Does a value fulfill a comparison? Texts are those of an enum. */
export function fulfills({ comparison, operand, within = 0 }, value) {
  if (comparison === "one_of") return Array.isArray(operand) && operand.includes(value);
  if (comparison === "at_most") return value <= operand;
  if (comparison === "at_least") return value >= operand;
  return typeof operand === "number" ? Math.abs(value - operand) <= within : value === operand;
}

/** The values an effect can lead to: [{value, args}], by the argument it depends on; its range where it counts. */
function outcomes(effect, command) {
  const { operand, per } = effect;
  if (effect.comparison !== "equals") return [];
  if (per !== null && per !== undefined) return operand.map((value, i) => ({ value, args: { [per]: i } }));
  const name = typeof operand === "string" ? operand.match(/^\{(\w+)\}$/)?.[1] : undefined;
  if (!name) return [{ value: operand, args: {} }];
  const arg = command.args.find((one) => one.name === name);
  if (!arg?.values) return [];
  return arg.values.map((_, i) => ({ value: i, args: { [name]: i } })).filter(({ value }) => inRange(arg, value));
}

const inRange = (arg, value) => value >= (arg.min ?? 0) && value <= (arg.max ?? Infinity);

/**
 * The command whose effect makes a condition true, with the arguments that do so; undefined when none does.
 * A command that needs the same condition itself, or leads to it by a way that the dictionary leaves open, is none.
 * @param {object[]} commands of the dictionary @param {object} lock one of a command's conditions
 * @param {object} args of the command that asks for it
 * @returns {{command: object, args: object}|undefined}
 */
export function makesTrue(commands, lock, args) {
  if (!lock?.role) return undefined;
  const role = filled(lock.role, args);
  const able = commands
    .filter((one) => !one.safes_all && !one.interlocks.some(({ name }) => name === lock.name))
    .flatMap((command) => (command.effects ?? []).map((effect) => way(command, effect, role, lock)))
    .filter(Boolean);
  return able.sort((one, two) => HAZARDS.indexOf(one.command.hazard) - HAZARDS.indexOf(two.command.hazard))[0];
}

function way(command, effect, role, lock) {
  const places = bound(effect.role, role);
  if (!places) return undefined;
  const isFitting = Object.entries(places).every(([name, value]) => {
    const arg = command.args.find((one) => one.name === name);
    return arg && inRange(arg, value);
  });
  const found = isFitting && outcomes(effect, command).find(({ value }) => fulfills(lock, value));
  return found ? { command, args: { ...places, ...found.args } } : undefined;
}

/** Why no button stands at an unmet condition that no command makes true. */
export function byHand(lock) {
  return lock.role?.startsWith("ground.")
    ? "The station measures this: no command changes it."
    : "No command does this: somebody must see to it at the vehicle.";
}

/**
 * What a choice of a command stands at now: its index among the argument's values, null where it is not known, and
 * undefined where no telemetry tells of it.
 * @param {object} command @param {object} arg with values @param {object} others the other arguments
 * @param {(role: string) => {value: any, stale: boolean, column: object}|undefined} sampleOf
 */
export function presentChoice(command, arg, others, sampleOf) {
  for (const effect of command.effects ?? []) {
    const told = outcomes(effect, command).filter(({ args }) => arg.name in args);
    if (!told.length) continue;
    const sample = sampleOf(filled(effect.role, others));
    if (!sample) continue;
    if (sample.stale || !Number.isFinite(sample.value)) return null;
    const word = sample.column?.values?.[sample.value];
    return (
      told.find(({ value }) => value === (typeof value === "string" ? word : sample.value))?.args[arg.name] ?? null
    );
  }
  return undefined;
}

/** What a form offers for a choice: the opposite of what is, null where that is not known or not one thing. */
export function offered(options, present) {
  if (present === undefined) return options.length > 2 ? null : undefined;
  const others = options.filter(({ value }) => value !== present);
  return present !== null && others.length === 1 ? others[0].value : null;
}

/**
 * A command with its arguments as people say it: "Move fin 1 to 5°", "Ground-test mode: enter", "Arm lateral motor 2".
 * @param {string} title @param {{name: string, text: string, isWord: boolean, isMeasure: boolean}[]} args as shown
 */
export function spoken(title, args) {
  let said = title;
  const rest = args.filter(({ name, text, isWord, isMeasure }) => {
    const one = new RegExp(`\\bone ${name}\\b`, "i");
    if (isWord || isMeasure || !one.test(said)) return true;
    said = said.replace(one, `${name} ${text}`);
    return false;
  });
  const members = rest.filter(({ isWord, isMeasure }) => !isWord && !isMeasure);
  const words = rest.filter(({ isWord }) => isWord).map(({ text }) => text);
  const measures = rest.filter(({ isMeasure }) => isMeasure).map(({ text }) => text);
  if (members.length === 1 && rest.length === 1) said += ` ${members[0].text}`;
  else if (members.length) words.unshift(...members.map(({ name, text }) => `${name.replaceAll("_", " ")} ${text}`));
  if (measures.length) said += ` to ${measures.join(", ")}`;
  return words.length ? `${said}: ${words.join(", ")}` : said;
}
