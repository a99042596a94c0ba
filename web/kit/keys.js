// Keys that work from every place. One literal table; main.js says what the acts do.

const REPLAY_KEYS = {
  " ": ["toggle"],
  k: ["pause"],
  j: ["shuttle", -1],
  l: ["shuttle", 1],
  ArrowLeft: ["step", -1],
  ArrowRight: ["step", 1],
  Home: ["start"],
  End: ["end"],
  r: ["loop"],
};

const KEYS = {
  a: ["alarms", "next"],
  A: ["alarms", "all"],
  d: ["dock"],
  D: ["dock"],
  m: ["sound"],
  M: ["sound"],
  "?": ["keys"],
  1: ["place", "try"],
  2: ["place", "ready"],
  3: ["place", "watch"],
  4: ["place", "find"],
  5: ["place", "learn"],
};

/**
 * What a key means: ["safe_all"], ["escape"], ["sound"], ["dock"], ["alarms", which], ["keys"], ["place", name],
 * ["replay", act, argument] or null.
 * Typing in a field is never a command.
 */
export function meaning(event, { replay }) {
  if (event.key === "Escape" && event.shiftKey) return ["safe_all"];
  if (event.key === "Escape") return ["escape"];
  if (event.ctrlKey || event.metaKey || event.altKey) return null;
  const tag = event.target?.tagName;
  const slider = tag === "INPUT" && event.target.type === "range";
  if ((tag === "INPUT" && !slider) || tag === "SELECT" || tag === "TEXTAREA") return null;
  if (KEYS[event.key]) return KEYS[event.key];
  if (!replay) return null;
  if (tag === "BUTTON" && event.key === " ") return null;
  if (event.shiftKey && (event.key === "ArrowLeft" || event.key === "ArrowRight"))
    return ["replay", "nudge", event.key === "ArrowLeft" ? -1 : 1];
  const act = REPLAY_KEYS[event.key.length === 1 ? event.key.toLowerCase() : event.key];
  return act ? ["replay", ...act] : null;
}

export function listen(context, acts) {
  // A button that was clicked with a pointer gives the space bar back to the replay; one reached by keyboard keeps it.
  document.addEventListener("click", (event) => {
    const button = event.detail > 0 && context().replay && event.target.closest?.("button");
    if (button) button.blur();
  });
  const once = {
    escape: () => acts.escape(),
    safe_all: () => acts.safeAll(),
    sound: () => acts.sound(),
    dock: () => acts.dock(),
    alarms: (which) => acts.alarmKey(which),
    keys: () => acts.keys(),
    place: (name) => acts.place(name),
  };
  document.addEventListener("keydown", (event) => {
    const what = meaning(event, context());
    if (!what) return;
    const [name, ...rest] = what;
    if (name !== "escape") event.preventDefault();
    if (name === "replay") acts.replay(...rest);
    else if (!event.repeat) once[name](...rest);
  });
}
