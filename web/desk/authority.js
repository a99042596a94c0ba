// Who may command and who may not, in sentences. Pure.

/** Why commands cannot be given now, as a sentence; "" when they can. */
export function whyNot({ replay, mode, desk }) {
  if (mode === "replay") return "This is a replay: nothing can be transmitted.";
  if (replay) return "This is a recording: no command can be given from here.";
  if (!desk) return "View only. Commands need the operator's link, which the station prints in its terminal.";
  if (!desk.open) return desk.sentence;
  if (desk.yours) return "";
  return desk.holder
    ? `${desk.holder} holds command authority.`
    : "Nobody holds command authority. Take it to give commands.";
}

/** What else to know about the people at the desk: the others, and the two-person rule. */
export function company({ open, others, two_person }) {
  if (!open) return "";
  const who = others.length ? `Also signed in: ${others.join(", ")}.` : "Nobody else is signed in.";
  return two_person ? `${who} Two-person rule: another person confirms each hazardous command.` : who;
}

/** Who commands, in two words, on every place. */
export function whoCommands({ desk, replay }) {
  if (replay || !desk?.open) return ["", "none"];
  if (desk.yours) return ["You command", "good"];
  return [desk.holder ? `${desk.holder} commands` : "Nobody commands", "caution"];
}

/** What a person at the desk must allow before routine commands go to a vehicle whose commands are bound to nothing. */
export function leave({ replay, mode, desk }) {
  if (mode === "replay" || replay || !desk?.open || !desk.asks_leave) return "";
  const [first, ...rest] = desk.asks_leave;
  return `${first.toUpperCase()}${rest.join("")}.`;
}
