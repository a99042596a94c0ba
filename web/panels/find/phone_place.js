// Where the phone that shows this stands and which way it is held, only once its person has asked for it. The browser
// gives neither over plain http.
// Sources: W3C Geolocation (degrees on WGS 84, accuracy in meters, 95 %); W3C Device Orientation (alpha turns
// counterclockwise from north while the phone lies flat and the event is absolute).

export const NOT_OVER_HTTP =
  "Where this phone stands is not available over http: browsers give it over https only (the station's --certificate).";
const WHY = {
  1: "Not allowed: this browser gives no position to this page.",
  2: "This phone finds no position.",
  3: "This phone found no position in time.",
};
const OLD_S = 10; // older than this it says so and no line is drawn from there

/**
 * @param {Window} window @param {() => void} changed
 * @returns {{state: "off"|"asking"|"on"|"refused"|"none", why: string, fix: object|null, heading: number|null}} and
 *   `ask`, `stop`: `fix` is {latitude, longitude, accuracy, at (ms)}; `heading` in degrees from magnetic
 *   north, clockwise
 */
export function PhonePlace(window, changed) {
  const { geolocation } = window.navigator;
  const can = window.isSecureContext && Boolean(geolocation);
  const phone = { state: can ? "off" : "none", why: can ? "" : NOT_OVER_HTTP, fix: null, heading: null, ask, stop };
  let watch;

  function set(state, why = "") {
    Object.assign(phone, { state, why });
    changed();
  }
  function turned(event) {
    if (Number.isFinite(event.webkitCompassHeading)) phone.heading = event.webkitCompassHeading;
    else if (event.absolute && Number.isFinite(event.alpha)) phone.heading = (360 - event.alpha) % 360;
    else return;
    changed();
  }
  const TURNS = ["deviceorientationabsolute", "deviceorientation"];

  async function ask() {
    if (!can || watch !== undefined) return;
    set("asking");
    watch = geolocation.watchPosition(
      ({ coords: { latitude, longitude, accuracy }, timestamp }) => {
        phone.fix = { latitude, longitude, accuracy, at: timestamp };
        set("on");
      },
      ({ code }) => {
        if (code === 1) stop();
        set(code === 1 ? "refused" : phone.state, WHY[code] ?? WHY[2]);
      },
      { enableHighAccuracy: true, maximumAge: 0, timeout: 30_000 },
    );
    for (const name of TURNS) window.addEventListener(name, turned);
    // Some phones ask a second time for the compass, and only in answer to a touch; without it there is no arrow.
    try {
      await window.DeviceOrientationEvent?.requestPermission?.();
    } catch {
      phone.heading = null;
    }
  }

  function stop() {
    if (watch !== undefined) geolocation.clearWatch(watch);
    watch = undefined;
    for (const name of TURNS) window.removeEventListener(name, turned);
    Object.assign(phone, { fix: null, heading: null });
    set(can ? "off" : "none", can ? "" : NOT_OVER_HTTP);
  }
  return phone;
}

/** Is a fix too old to be walked by? */
export const isOldFix = (fix, now) => now - fix.at > OLD_S * 1000;

const phones = new WeakMap();

/** The one phone of a page: whoever shows it gets the same. */
export function phoneOf(acts) {
  if (!phones.has(acts)) phones.set(acts, PhonePlace(window, acts.changed));
  return phones.get(acts);
}
