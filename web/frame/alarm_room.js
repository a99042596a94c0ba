// Room at the top of a phone's page for the alarm that lies over it. It comes without anything moving under a thumb:
// what is looked at stays where it was, and the page's top is further up. It goes when another place is entered.

const PHONE = "(max-width: 700px)";

/** @param {HTMLElement} body marked "alarmed" while there is room */
export function AlarmRoom(body, isPhone = () => matchMedia(PHONE).matches) {
  let isFresh = true;
  const firstSeen = () => body.querySelector(".place:not([hidden]) .panel")?.getBoundingClientRect().top ?? 0;
  return {
    /** A place begins at its top. */
    entered: () => {
      isFresh = true;
    },
    /** @param {boolean} stands whether an alarm lies over the page */
    update(stands) {
      const had = body.classList.contains("alarmed");
      if (stands === had || !(isFresh || stands)) {
        isFresh = false;
        return;
      }
      const before = firstSeen();
      body.classList.toggle("alarmed", stands);
      if (!isFresh && isPhone()) scrollBy(0, firstSeen() - before);
      isFresh = false;
    },
  };
}
