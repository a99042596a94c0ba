// The only wiring: sockets to stores, stores to panels, acts to the desk. Each store is written by itself alone; panels
// are drawn from one snapshot of them on animation frames, and only when something changed.

import { Dock } from "./desk/dock.js";
import { Ears } from "./ears/ears.js";
import { AlarmList } from "./frame/alarm_list.js";
import { AlarmRoom } from "./frame/alarm_room.js";
import { Banners } from "./frame/banners.js";
import { Guide } from "./frame/guide.js";
import { Heard } from "./frame/heard.js";
import { KeysHelp } from "./frame/keys_help.js";
import { Navigation } from "./frame/navigation.js";
import { authorityNotice, Notices, refusal } from "./frame/notice.js";
import { ReplayBar } from "./frame/replay_bar.js";
import { liveLine, StatusLine } from "./frame/status_line.js";
import { setHidden } from "./kit/dom.js";
import { onFrames } from "./kit/frames.js";
import { listen } from "./kit/keys.js";
import { guardSecondPress } from "./kit/second_press.js";
import { startTheme } from "./kit/theme.js";
import { chooseUnits, setUnits, unitsAtFirst, unitsName } from "./kit/units.js";
import { buildPlaces } from "./places.js";
import { LATE_S } from "./session/count.js";
import { judgedKey } from "./session/goals.js";
import { Opened } from "./session/opened.js";
import { pageOf } from "./session/page.js";
import { View } from "./session/view.js";
import { getAbout, getClock, getPackets, getStore, getSummary } from "./station/api.js";
import { Delay } from "./station/delay.js";
import { DeskSocket } from "./station/desk_socket.js";
import { Live } from "./station/live.js";
import { Operator, takeToken } from "./station/operator.js";
import { Rehearsals } from "./station/rehearsals.js";
import { Shelf } from "./station/shelf.js";
import { TrialPlans } from "./station/trial_plans.js";
import { ViewSocket } from "./station/view_socket.js";

const TICK_MS = 250;
const SESSIONS_MS = 10000;
const AGAIN_MS = 2000;
const COUNTING = new Set(["running", "held", "past zero"]);

const byId = (id) => document.getElementById(id);
const socketUrl = (path) => `${location.protocol === "https:" ? "wss" : "ws"}://${location.host}${path}`;
const seconds = () => performance.now() / 1000;
const changed = onFrames(draw);

// ---------------------------------------------------------------- stores

const station = { about: null, canKeep: takeToken(location, history, sessionStorage) !== null };
const notices = new Notices();
const opened = new Opened();
const live = new Live({ changed, trouble });
let viewSocket = null; // once the station has said that something is live
const operator = new Operator({
  storage: sessionStorage,
  replaying: () => opened.replay !== null,
  lost: (before, after) => notices.say(authorityNotice(before, after)),
  changed,
  connect: (token, name, moved) => new DeskSocket(socketUrl("/ws/desk"), token, name, moved),
});
const shelf = new Shelf({ changed, trouble, token: () => operator.token, opened: () => opened.replay?.name });
const trialPlans = new TrialPlans(changed);
const rehearsals = new Rehearsals(changed);
const ears = new Ears(window, changed);
const delay = new Delay({ ask: getClock, now: seconds, changed });

function trouble(sentence) {
  notices.trouble(sentence);
  changed();
}

const situation = () => ({
  link: live.store?.journal.state("link", "port")?.body?.state,
  yours: Boolean(operator.state?.yours),
});

/** One snapshot of all stores, for one drawing. */
function snapshot() {
  const { about, canKeep } = station;
  const silentSince = viewSocket?.silentSince ?? null;
  const now = performance.now();
  const { beat, store } = live;
  const people = { desk: operator.state, trials: trialPlans.known, rehearsals: rehearsals.known };
  return pageOf({
    about,
    canKeep,
    opened,
    shelf,
    ...people,
    beat,
    silentSince,
    delay_s: delay.seconds,
    live: store,
    now,
  });
}

function liveView(page) {
  if (!live.store) return null;
  const cursor = { rx: live.rxNow, t: live.t, live: true };
  return new View(live.store, cursor, page.replay ? { ...page, replay: null } : page);
}

function currentView(page) {
  if (!page.replay) return liveView(page);
  return new View(page.replay.store, page.replay.cursor(seconds()), page);
}

// ---------------------------------------------------------------- acts

const acts = {
  ...shelf.acts,
  ...trialPlans.acts,
  ...rehearsals.acts,
  changed,
  trouble,
  live: backToLive,
  go: (place) => navigation.go(place),
  dismiss: () => {
    notices.say(null);
    changed();
  },
  escape: dropOrHide,
  ask: (message) => operator.ask(message),
  statusBox: () => byId("top").getBoundingClientRect(),
  dock: () => {
    if (operator.state && !opened.replay) dock.toggle();
  },
  rename: (name) => {
    dock.sheet.close(); // what was ready is dropped with the old name
    operator.rename(name);
  },
  openSession,
  replay: (what, argument) => {
    opened.replay?.act(what, argument, seconds());
    changed();
  },
  packets: (name, rx) => getPackets(name, rx).catch(({ message }) => trouble(message)),
  begin,
  send: (command, args) => say({ type: "send", command, args }),
  desk: say,
  mark: (text) => say({ type: "mark", text }),
  pad: (message) => say({ type: "pad", ...message }),
  safeAll: () => {
    if (operator.state) say({ type: "safe_all" });
  },
  sound: () => ears.toggle(),
  units: () => {
    chooseUnits(localStorage, unitsName() === "metric" ? "imperial" : "metric");
    changed();
  },
  testSound: () => ears.test(),
  chart: (bindings, how) => {
    opened.chart(bindings, how);
    changed();
  },
  showAlarms,
  alarmKey,
  keys: () => keysHelp.show(!keysHelp.open),
  // What is being made ready or confirmed must not go from under a hand.
  place: (name) => {
    if (dock.sheet.state === "closed" || opened.replay) navigation.go(name);
  },
  acknowledge: (alarms) => {
    const unseen = alarms.filter((one) => !one.acknowledged);
    say({ type: "acknowledge", alarms: unseen.map(({ key, rx }) => ({ key, raised_rx: rx })) });
  },
};

// A routine command without arguments goes with one act; everything else opens the sheet.
function begin(name, preset) {
  const shown = currentView(snapshot());
  const command = shown?.store.dictionary.commands.find((one) => one.name === name);
  if (!command) return;
  const given = command.args.every((arg) => arg.name in preset);
  if (command.hazard === "routine" && given) acts.send(name, preset);
  else dock.begin(shown, name, preset);
}

// What was done is told by the command's own steps; only a refusal needs a sentence of its own.
async function say(message) {
  const reply = await operator.ask(message);
  if (!reply.ok && reply.sentence) notices.say(refusal(message.type, reply, situation(), performance.now()));
  changed();
}

function showAlarms(open = !alarmList.open) {
  alarmList.show(open);
  status.alarmsShown(open);
  changed();
}

// The first press shows the list: nothing is acknowledged that was not on the screen.
function alarmKey(which) {
  if (!alarmList.open) {
    showAlarms(true);
    return;
  }
  const waiting = alarmList.waiting();
  const able = operator.state?.open && !opened.replay;
  if (waiting.length && able) acts.acknowledge(which === "all" ? waiting : waiting.slice(0, 1));
}

function dropOrHide() {
  // First of all the sheet: it drops what is ready.
  if (!opened.replay && dock.sheet.state !== "closed") dock.escape();
  else if (keysHelp.open) keysHelp.show(false);
  else if (alarmList.open) showAlarms(false);
  else if (dock.escape()) return;
  else acts.dismiss();
}

async function openSession(session) {
  byId("main").setAttribute("aria-busy", "true");
  try {
    const [store, summary] = await Promise.all([getStore(session.name), getSummary(session.name).catch(() => null)]);
    dock.close();
    opened.open(store, session, summary);
    shelf.dropOnboard();
    acts.lookAtLog(session.name);
    operator.holdNothing();
  } catch (error) {
    trouble(error.message);
  }
  byId("main").removeAttribute("aria-busy");
  changed();
}

function backToLive() {
  opened.leave();
  shelf.dropOnboard();
  changed();
}

// ---------------------------------------------------------------- drawing

// Tells whether it moves on by itself: a replay that plays does.
function draw() {
  const page = snapshot();
  const shown = currentView(page);
  const beside = page.replay ? liveView(page) : null;
  notices.sweep(situation(), page.now);
  banners.update(page, shown, beside && liveLine(beside));
  if (page.mode !== "replay") shelf.acts.lookAtGoals(judgedKey(live.store));
  guide.update(page.replay ? null : shown, page.about);
  navigation.notice.update(notices.current);
  navigation.update(page, shown?.store.dictionary);
  setHidden(byId("loading"), Boolean(shown) || navigation.place === "learn");
  markBody(page);
  ears.update(shown, page.mode);
  navigation.units.update();
  navigation.sound.update({ muted: ears.muted, awake: ears.mouth.awake });
  if (page.replay) ears.replay(page.replay.store, shown.cursor.rx, page.replay.playsAsFlown);
  if (shown) drawSession(shown, beside);
  else if (navigation.place === "learn") {
    // Without any session the shelf must still open: only what needs no store is drawn.
    places.learn.named.sessions.update({ page, store: null });
  }
  return Boolean(opened.replay?.clock.playing);
}

function markBody({ replay, mode, desk }) {
  const marks = document.body.classList;
  marks.toggle("noticed", Boolean(notices.current));
  marks.toggle("replaying", Boolean(replay));
  marks.toggle("no-live", mode === "replay");
  marks.toggle("watching", Boolean(mode) && mode !== "replay" && !desk);
  marks.toggle("commandless", Boolean(replay) || !desk);
}

function drawSession(shown, beside) {
  status.update(shown, beside);
  alarmRoom.update(status.alarmed);
  heard.update(shown);
  alarmList.update(shown);
  navigation.lastCommand.update(shown);
  bar.update(shown);
  dock.update(shown);
  navigation.dockShown(dock.shown);
  for (const panel of places[navigation.place].panels) panel.update(shown);
}

// A tab that is not looked at draws nothing, and calls all the same.
function hear(message) {
  if (message.type === "hello") delay.forget();
  live.receive(message);
  delay.message(message.rx_now);
  if (live.store && !opened.replay) ears.live(live.store, live.rxNow, !(delay.seconds <= LATE_S));
}

// ---------------------------------------------------------------- start

async function start() {
  try {
    station.about = await getAbout();
  } catch (error) {
    trouble(error.message);
    setTimeout(start, AGAIN_MS);
    return;
  }
  trouble(null);
  setUnits(unitsAtFirst(localStorage, station.about.units));
  const { mode, open } = station.about;
  if (mode !== "replay") {
    const listener = { message: hear, changed };
    viewSocket = new ViewSocket(socketUrl("/ws/view"), operator.token, listener);
    operator.open();
  }
  if (open) await openSession({ name: open, label: open });
  if (open || mode === "replay") navigation.go("learn");
}

startTheme();
setUnits(unitsAtFirst(localStorage)); // the station's is known when it has answered
const places = buildPlaces(byId("main"), acts);
const status = StatusLine(byId("status"), acts);
const heard = Heard(byId("heard"));
const alarmList = AlarmList(byId("alarms"), acts);
const banners = Banners(byId("banners"), acts);
const keysHelp = KeysHelp(byId("keys"));
const guide = Guide(byId("guide"), { go: (place) => navigation.go(place), storage: sessionStorage });
const bar = new ReplayBar(byId("replay"), acts);
const alarmRoom = AlarmRoom(document.body);
const dock = new Dock(byId("dock"), byId("main"), acts);
const navigation = new Navigation(byId("places"), places, {
  changed,
  dismiss: acts.dismiss,
  dock: acts.dock,
  sound: acts.sound,
  units: acts.units,
  entered: (place) => {
    alarmRoom.entered();
    if (place === "learn") acts.listSessions();
  },
});
navigation.go("watch");
setInterval(() => {
  if (live.store) delay.tick(COUNTING.has(live.store.journal.state("count", "state")?.body?.state));
  changed();
}, TICK_MS);
setInterval(() => {
  if (navigation.place === "learn" && !document.hidden) acts.listSessions();
}, SESSIONS_MS);
addEventListener("resize", changed);
document.addEventListener("visibilitychange", () => {
  if (!document.hidden) changed();
});
guardSecondPress(document, (button) => button.dataset.testid === "safe-all");
listen(() => ({ replay: opened.replay !== null }), acts);
start();
changed();
