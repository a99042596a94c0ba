// The second press of a double press counts only where the first one was: what the first has moved under the pointer, a
// command that opened the dock for one, may by then be another command's button. Safe all takes every press.

/** @param {Document} document @param {(target: Element) => boolean} always whether a press there counts in any case */
export function guardSecondPress(document, always) {
  let first = null;
  document.addEventListener(
    "click",
    (event) => {
      const button = event.target.closest?.("button, a, summary, label, input, select") ?? null;
      if (event.detail <= 1) first = button;
      else if (button !== first && !(button && always(button))) {
        event.preventDefault();
        event.stopPropagation();
      }
    },
    true,
  );
}
