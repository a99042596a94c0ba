// Finding it: what is said of channels not proved fired, where the phone stands, and the way from there.

import assert from "node:assert/strict";
import { test } from "node:test";

import { dangerLine, isProvedFired } from "../../web/panels/find/danger_words.js";
import { decimalText, moved, originOf, seenFrom, spokenText } from "../../web/panels/find/geodesy.js";
import { isOldFix, NOT_OVER_HTTP, PhonePlace } from "../../web/panels/find/phone_place.js";
import { degreesOf } from "../../web/panels/find/place_panel.js";
import { fromYouWords, northWords, personOf, phoneWords, ringTurn, walkAt } from "../../web/panels/find/walk.js";
import { Store } from "../../web/session/store.js";
import { View } from "../../web/session/view.js";

const RULE = "may be live, treat as armed; approach only when the range is opened; one person";

/** A view of channels given as {"channel[1]": {fired, armed, continuity}}, heard `age` seconds ago. */
function viewOf(channels, { age = 0, site, map, place } = {}) {
  const roles = Object.entries(channels).flatMap(([name, parts]) =>
    Object.keys(parts).map((part) => `${name}.${part}`),
  );
  const values = Object.values(channels).flatMap((parts) => Object.values(parts));
  const columns = [...roles, ...(place ? ["position.east", "position.north", "position.up"] : [])];
  const store = new Store({
    name: "made",
    vehicle: "Made",
    commands: [],
    site,
    map,
    tables: [
      {
        name: "all",
        title: "All",
        rate_hz: 5,
        columns: columns.map((role) => ({ name: role, channel: role, kind: "number", unit: "", role })),
      },
    ],
  });
  const rx = 20;
  store.update({
    from: { all: 0 },
    rows: { all: [[rx - age, rx - age, ...values, ...(place ?? [])]] },
    rx_now: rx,
    t_now: rx,
  });
  return new View(store, { rx, t: rx, live: true }, {});
}
const FIRED = { fired: 1, armed: 0, continuity: 0 };

test("a channel is proved fired only by its circuit, open and disarmed, after it was said to have fired", () => {
  const given = (parts) => isProvedFired(Object.fromEntries(Object.entries(parts).map(([k, value]) => [k, { value }])));
  assert.ok(given(FIRED));
  for (const [why, parts] of [
    ["armed still", { ...FIRED, armed: 1 }],
    ["conducts still", { ...FIRED, continuity: 1 }],
    ["open, but nobody says that it fired", { ...FIRED, fired: 0 }],
    ["a circuit that nobody measures", { fired: 1, armed: 0 }],
    ["nobody says", { armed: 0, continuity: 0 }],
    ["a bit that is no number", { ...FIRED, fired: NaN }],
    ["an armed bit that is no number", { ...FIRED, armed: NaN }],
    ["an odd bit", { ...FIRED, fired: 2 }],
    ["never heard", { fired: undefined, armed: undefined, continuity: undefined }],
  ])
    assert.ok(!given(parts), why);
});

test("the line counts what is not proved fired, motors and recovery channels, and says how to behave", () => {
  const live = { fired: 0, armed: 0, continuity: 1 };
  const line = (channels, more) => dangerLine(viewOf(channels, more));
  assert.deepEqual(line({ "channel[1]": live, "channel[2]": FIRED, "recovery[1]": FIRED }), {
    text: `1 motor not proved fired: ${RULE}.`,
    tone: "danger",
  });
  assert.equal(
    line({ "channel[1]": live, "channel[2]": live, "recovery[1]": live, "recovery[2]": FIRED }).text,
    `2 motors, 1 recovery channel not proved fired: ${RULE}.`,
  );
  assert.equal(line({ "staging[1]": { armed: 0 } }).text, `1 staging channel not proved fired: ${RULE}.`);
  const spent = line({ "channel[1]": FIRED, "recovery[1]": FIRED });
  assert.equal(spent.tone, "none");
  assert.equal(
    spent.text,
    "All 2 channels heard fired, their circuits open. Still approach only when the range is opened; one person.",
  );
  assert.equal(line({}).tone, "danger");
  assert.match(line({}).text, /^This vehicle tells nothing of motors or charges: they may be live, treat as armed;/);
});

test("silence neither takes back that a channel burned nor proves one", () => {
  assert.equal(dangerLine(viewOf({ "channel[1]": FIRED }, { age: 600 })).tone, "none");
  assert.equal(dangerLine(viewOf({ "channel[1]": { ...FIRED, fired: 0 } }, { age: 600 })).tone, "danger");
});

// What the station's own conversion gives (WGS 84, topocentric, EPSG method 9837).
const DEGREES = [
  [[40, -100], [67.81154251098633, -16.97686195373535], [39.99984710027994, -99.99920589848406], 0.001],
  [[40, -100], [3000, -2500], [39.97747913952309, -99.96488020649558], 0.01],
  [[-33.5, 179.99], [4000, 1500], [-33.486468445646196, -179.96696009628062], 0.01],
  [[69.2, 16.0], [-1200, 5000], [69.24481945917235, 15.969670079642265], 0.01],
];

test("meters and degrees turn into each other as the station has it", () => {
  for (const [[latitude, longitude], [east, north], given, within_m] of DEGREES) {
    const origin = { latitude, longitude };
    const seen = seenFrom(origin, { latitude: given[0], longitude: given[1] });
    assert.ok(Math.hypot(seen.east - east, seen.north - north) < within_m, `${latitude}: ${seen.east} ${seen.north}`);
    const back = seenFrom(origin, moved(origin, { east, north }));
    assert.ok(Math.hypot(back.east - east, back.north - north) < 0.01);
  }
});

test("across the date line east is east", () => {
  const { east } = seenFrom({ latitude: 10, longitude: 179.999 }, { latitude: 10, longitude: -179.999 });
  assert.ok(east > 200 && east < 230);
});

test("coordinates have seven decimals", () => {
  const place = { latitude: 40.00021434, longitude: -99.99953069 };
  assert.equal(decimalText(place), "40.0002143, -99.9995307");
  assert.equal(spokenText(place), "40.0002143 N 99.9995307 W");
  assert.equal(spokenText({ latitude: -1, longitude: 2 }), "1.0000000 S 2.0000000 E");
});

const SITE = { lat_deg: 40, lon_deg: -100, declination_deg: 3.5 };
const LIES = {
  whereabouts_basis: "landed",
  whereabouts_distance_m: 50,
  whereabouts_bearing_deg: 90,
  whereabouts_radius_m: 7,
};
function landed(more = {}, figure = {}) {
  const view = viewOf({}, { site: SITE, place: [50, 0, 0], ...more });
  view.state = (_topic, key) => (key === "recovery" ? { body: { ...LIES, ...figure } } : undefined);
  return view;
}

test("the pad in degrees comes from the site's sheet; without it nothing is copied", () => {
  assert.deepEqual(originOf(landed()), { latitude: 40, longitude: -100 });
  assert.equal(degreesOf(landed({ site: undefined })), undefined);
  const { latitude, longitude } = degreesOf(landed());
  assert.ok(Math.abs(latitude - 40) < 1e-7 && Math.abs(longitude + 99.99941448) < 1e-6);
  const own = degreesOf(landed({}, { last_latitude_deg: 40.5, last_longitude_deg: -100.5 }));
  assert.deepEqual(own, { latitude: 40.5, longitude: -100.5 }, "where it lies the station's own degrees count");
});

test("the walk begins at the pad, or where the person stands; a keep-out between takes its name and arrow", () => {
  assert.equal(walkAt(landed()).title, "Walk to");
  const person = { east: 50, north: 50, accuracy: 5 };
  const walk = walkAt(landed(), person);
  assert.equal(
    fromYouWords(walk, person),
    "From where you stand 50 m, 180\u00b0 S; this phone knows its own place within 5 m (95\u00a0%)",
  );
  const map = {
    keep_out: [
      {
        name: "pond",
        points: [
          [20, -9],
          [30, -9],
          [30, 9],
          [20, 9],
        ],
      },
    ],
  };
  const barred = walkAt(landed({ map }));
  assert.deepEqual([barred.title, barred.bar.kind], ["It lies", "keep_out"]);
  assert.equal(walkAt(landed({ map }), person).bar, null, "from there the way is free");
});

test("a map that cannot be read shows no way", () => {
  const walk = walkAt(landed({ map: { problem: "the site's sheet gives keep_out = 3" } }));
  assert.match(walk.bar.sentence, /^not straight: the site's sheet gives keep_out = 3; the range officer/);
});

test("by a compass: what a magnetic needle shows, and the ring turned to where the phone points", () => {
  assert.equal(
    northWords(3.5, Math.PI / 2),
    "Bearings are from true north; declination 3.5\u00b0 E: a compass shows 087\u00b0.",
  );
  assert.equal(
    northWords(-10, 0),
    "Bearings are from true north; declination 10.0\u00b0 W: a compass shows 010\u00b0.",
  );
  assert.equal(northWords(undefined, 1), "Bearings are from true north; the site's sheet gives no declination.");
  assert.equal(ringTurn({ state: "on", heading: 90 }, 3.5), -93.5);
  assert.equal(ringTurn({ state: "on", heading: null }, 3.5), null);
  assert.equal(ringTurn({ state: "off", heading: 90 }, 3.5), null);
});

/** A browser that gives what a test tells it to. */
function browserOf({ secure = true } = {}) {
  const heard = {};
  return {
    isSecureContext: secure,
    heard,
    navigator: {
      geolocation: {
        watchPosition: (give, refuse) => Object.assign(heard, { give, refuse }) && 7,
        clearWatch: (id) => Object.assign(heard, { cleared: id }),
      },
    },
    addEventListener: (name, listener) => Object.assign(heard, { [name]: listener }),
    removeEventListener: (name) => delete heard[name],
  };
}
const coords = (latitude, longitude, accuracy) => ({ latitude, longitude, accuracy });

test("nothing is asked of the browser before its person presses, nor over http", () => {
  const browser = browserOf();
  const phone = PhonePlace(browser, () => {});
  assert.equal(browser.heard.give, undefined);
  assert.equal(phone.state, "off");
  const plain = browserOf({ secure: false });
  const without = PhonePlace(plain, () => {});
  without.ask();
  assert.deepEqual([without.state, without.why, plain.heard.give], ["none", NOT_OVER_HTTP, undefined]);
});

test("a place that is given counts for ten seconds, one refused is said, and stopping forgets", () => {
  const browser = browserOf();
  const phone = PhonePlace(browser, () => {});
  phone.ask();
  assert.equal(phone.state, "asking");
  browser.heard.give({ coords: coords(40.00045, -99.99941448, 6), timestamp: 1000 });
  const view = landed();
  const person = personOf(view, phone, 2000);
  assert.ok(Math.hypot(person.east - 50, person.north - 50) < 0.1 && person.accuracy === 6);
  assert.equal(personOf(view, phone, 12_000), undefined);
  assert.ok(isOldFix(phone.fix, 12_000));
  assert.equal(phoneWords(view, phone, 12_000), "This phone's place is 11 s old: no line from there.");
  browser.heard.deviceorientationabsolute({ absolute: true, alpha: 90 });
  assert.equal(phone.heading, 270);
  browser.heard.deviceorientation({ absolute: false, alpha: 10 });
  assert.equal(phone.heading, 270, "what is not from north is no heading");
  phone.stop();
  assert.deepEqual([phone.state, phone.fix, phone.heading, browser.heard.cleared], ["off", null, null, 7]);
  phone.ask();
  browser.heard.refuse({ code: 1 });
  assert.deepEqual([phone.state, phone.why], ["refused", "Not allowed: this browser gives no position to this page."]);
});
