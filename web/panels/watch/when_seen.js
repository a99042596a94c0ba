// A panel below the first screen is drawn once, and then only while some of it is on the screen.

/** @param {(el: Element, acts: object) => {update: (view) => void}} Panel @returns the same, sparing */
export const whenSeen = (Panel) => (el, acts) => {
  const panel = Panel(el, acts);
  let isSeen = false;
  let session;
  new IntersectionObserver(([{ isIntersecting }]) => {
    isSeen = isIntersecting;
    if (isSeen) acts.changed();
  }).observe(el);
  return {
    update(view) {
      if (!isSeen && session === view.store) return;
      session = view.store;
      panel.update(view);
    },
  };
};
