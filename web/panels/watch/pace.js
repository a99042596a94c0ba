// How often a picture is drawn while its data change: not on each frame, and never so that the last change is missed.

export const PICTURE_MS = 100;
export const WORDS_MS = 1000;
// Pictures of one pace would all fall due in the same frame; so far apart they are drawn in one after another.
const APART_MS = 12;
const latest = { picture: -Infinity };

/**
 * Tells whether to draw now what is wanted, a text that changes with the picture's data.
 * @param {() => void} changed asks for another frame once the time has come
 * @returns {(wanted: string) => boolean}
 */
export function pace(changed, least_ms = PICTURE_MS, clock = () => performance.now(), later = setTimeout) {
  let last = -Infinity;
  let drawn;
  let isWaiting = false;
  return (wanted) => {
    if (wanted === drawn) return false;
    const isPicture = least_ms === PICTURE_MS;
    const wait = Math.max(last + least_ms, isPicture ? latest.picture + APART_MS : -Infinity) - clock();
    if (wait > 0) {
      if (!isWaiting) {
        isWaiting = true;
        later(() => {
          isWaiting = false;
          changed();
        }, wait);
      }
      return false;
    }
    last = clock();
    if (isPicture) latest.picture = last;
    drawn = wanted;
    return true;
  };
}
