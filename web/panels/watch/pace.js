// How often a picture is drawn while its data change: not on each frame, and never so that the last change is missed.

export const PICTURE_MS = 100;
export const WORDS_MS = 1000;

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
    const wait = last + least_ms - clock();
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
    drawn = wanted;
    return true;
  };
}
