// When to draw: on the next animation frame once something changed, and on none while nothing does. A loop that asked
// for every frame would wake the browser sixty times a second to find nothing to do, all day on a computer at the pad.

/**
 * @param {() => boolean} draw tells whether it moves on by itself, so that the next frame is drawn too
 * @param {(turn: () => void) => void} ask as requestAnimationFrame
 */
export function onFrames(draw, ask = requestAnimationFrame) {
  let asked = false;
  const turn = () => {
    asked = false; // first: what changes while drawing, or breaks it, must not be the last thing drawn
    if (draw()) changed();
  };
  function changed() {
    if (asked) return;
    asked = true;
    ask(turn);
  }
  return changed;
}
