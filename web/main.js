// The only wiring: sockets to stores, stores to panels, acts to the desk. Panels are drawn on animation frames, and
// only when something changed.

import { DeskSheet } from "./desk/desk_sheet.js";
import { AlarmList } from "./frame/alarm_list.js";
import { Banners } from "./frame/banners.js";
import { LastCommand } from "./frame/last_command.js";
import { authorityNotice, isOver, NoticeLine, refusal } from "./frame/notice.js";
import { ReplayBar } from "./frame/replay_bar.js";
import { liveLine, StatusLine } from "./frame/status_line.js";
import { h, setAttr, setHidden, setText, setTone } from "./kit/dom.js";
import { listen } from "./kit/keys.js";
import { current, onTheme, startTheme, toggle } from "./kit/theme.js";
import { buildPlaces, PLACES } from "./places.js";
import { mayAsk } from "./session/messages.js";
import { Replay } from "./session/replay.js";
import { View } from "./session/view.js";
import { getAbout, getSessions, getStore, getSummary } from "./station/api.js";
import { DeskSocket } from "./station/desk_socket.js";
import { Live } from "./station/live.js";
import { shelfActs } from "./station/shelf_acts.js";
import { ViewSocket } from "./station/view_socket.js";

const TOKEN_KEY = "blockhouse.operator";
const NAME_KEY = "blockhouse.name";
const TICK_MS = 250;
const SESSIONS_MS = 10000;

const page = {
  about: null,
  mode: null,
  desk: null,
  replay: null,
  beat: null,
  silentSince: null,
  sessions: null,
  summary: null,
  strips: [],
  notice: null,
  canCommand: false,
  simulated: false,
  now: 0,
  trash: null,
  comparison: null,
  onboard: null,
  plans: {},
  canKeep: false,
};
let place = "flight";
let dirty = true;
let desk = null;
let givingUp = false;

const byId = (id) => document.getElementById(id);
const socketUrl = (path) => `${location.protocol === "https:" ? "wss" : "ws"}://${location.host}${path}`;
const seconds = () => performance.now() / 1000;
const changed = () => {
  dirty = true;
};

/** A trouble of the page itself stands until it is over; null ends it. */
function trouble(sentence) {
  notice(sentence ? { text: sentence, trouble: true } : page.notice?.trouble ? null : page.notice);
}

function notice(next) {
  page.notice = next;
  changed();
}

const situation = () => ({
  link: live.store?.journal.state("link", "port")?.body?.state,
  yours: Boolean(page.desk?.yours),
});

const live = new Live({ changed, trouble });

const acts = {
  changed,
  live: backToLive,
  dismiss: () => notice(null),
  escape: dropOrHide,
  rename,
  listSessions,
  openSession,
  replay: (what, argument) => {
    page.replay?.act(what, argument, seconds());
    changed();
  },
  begin,
  send: (command, args) => say({ type: "send", command, args }),
  desk: (message) => {
    givingUp = message.type === "release" || message.type === "give";
    say(message);
  },
  mark: (text) => say({ type: "mark", text }),
  pad: (message) => say({ type: "pad", ...message }),
  safeAll: () => {
    if (desk) say({ type: "safe_all" });
  },
  toggleStrip,
  showAlarms,
  alarmKey,
  acknowledge: (alarms) =>
    say({
      type: "acknowledge",
      alarms: alarms.filter((one) => !one.acknowledged).map(({ key, rx }) => ({ key, raised_rx: rx })),
    }),
};
Object.assign(
  acts,
  shelfActs(page, { changed, trouble, listSessions, token: () => sessionStorage.getItem(TOKEN_KEY) }),
);

function ask(message) {
  if (!desk || !mayAsk(message.type, Boolean(page.replay)))
    return Promise.resolve({ ok: false, sentence: "No command can be given from here." });
  return desk.ask(message);
}

// A routine command without arguments goes with one act; everything else opens the sheet.
function begin(name, preset) {
  const view = currentView();
  const command = view?.store.dictionary.commands.find((one) => one.name === name);
  if (!command) return;
  const given = command.args.every((arg) => arg.name in preset);
  if (command.hazard === "routine" && given) acts.send(name, preset);
  else sheet.open(view, name, preset);
}

// What was done is told by the command's own steps; only a refusal needs a sentence of its own.
async function say(message) {
  const reply = await ask(message);
  if (!reply.ok && reply.sentence) notice(refusal(message.type, reply, situation(), performance.now()));
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
  if (waiting.length && page.desk?.open && !page.replay)
    acts.acknowledge(which === "all" ? waiting : waiting.slice(0, 1));
}

function dropOrHide() {
  if (!page.replay && sheet.state !== "closed")
    sheet.escape(); // first of all: it drops what is ready
  else if (alarmList.open) showAlarms(false);
  else notice(null);
}

function toggleStrip(binding) {
  const without = page.strips.filter((one) => one.table !== binding.table || one.index !== binding.index);
  page.strips = without.length < page.strips.length ? without : [...page.strips, binding];
  changed();
}

async function listSessions() {
  try {
    page.sessions = await getSessions();
  } catch (error) {
    trouble(error.message);
  }
  changed();
}

async function openSession(session) {
  byId("main").setAttribute("aria-busy", "true");
  try {
    const [store, summary] = await Promise.all([getStore(session.name), getSummary(session.name).catch(() => null)]);
    sheet.close();
    page.replay = new Replay(store, session);
    page.onboard = null;
    acts.lookAtLog(session.name);
    page.summary = summary;
    page.strips = [];
    holdNothing();
  } catch (error) {
    trouble(error.message);
  }
  byId("main").removeAttribute("aria-busy");
  changed();
}

function backToLive() {
  page.replay = null;
  page.onboard = null;
  page.summary = null;
  page.strips = [];
  changed();
}

// Whoever looks at a recording cannot command: authority is given up, also one that comes later. The desk stays
// signed in, because Safe all must reach the live vehicle from everywhere.
function holdNothing() {
  if (!page.replay || !page.desk?.yours) return;
  givingUp = true;
  ask({ type: "release" });
}

// The operator's token comes once in the address, leaves it at once, and stays in this tab only.
function takeToken() {
  const match = location.hash.match(/(?:operator|shelf)=([^&]+)/);
  if (match) {
    sessionStorage.setItem(TOKEN_KEY, decodeURIComponent(match[1]));
    history.replaceState(null, "", location.pathname + location.search);
  }
  return sessionStorage.getItem(TOKEN_KEY);
}

function openDesk() {
  const token = sessionStorage.getItem(TOKEN_KEY);
  if (!token || desk || page.mode === "replay") return;
  desk = new DeskSocket(socketUrl("/ws/desk"), token, sessionStorage.getItem(NAME_KEY) ?? "operator", deskChanged);
  page.desk = desk.state;
}

function deskChanged(state) {
  const lost = authorityNotice(page.desk, state);
  if (lost && !givingUp) notice(lost);
  if (lost) givingUp = false;
  page.desk = state;
  holdNothing();
  changed();
}

// Another name is another operator: the page signs in anew, and what was ready is dropped with the old name.
function rename(name) {
  sessionStorage.setItem(NAME_KEY, name);
  sheet.close();
  desk?.close();
  desk = null;
  openDesk();
  changed();
}

function currentView() {
  page.beat = live.beat;
  if (!page.replay) return liveView();
  const { store } = page.replay;
  page.simulated = Boolean(store.dictionary.simulated);
  page.canCommand = false;
  return new View(store, page.replay.cursor(seconds()), page);
}

function liveView() {
  if (!live.store) return null;
  page.canCommand = Boolean(page.desk?.open && page.desk.yours && !page.replay && page.silentSince === null);
  if (!page.replay) page.simulated = Boolean(live.store.dictionary.simulated);
  return new View(
    live.store,
    { rx: live.rxNow, t: live.t, live: true },
    page.replay ? { ...page, replay: null } : page,
  );
}

const placeButtons = {};

function go(name) {
  place = name;
  for (const [other, button] of Object.entries(placeButtons))
    setAttr(button, "aria-current", other === name ? "page" : null);
  for (const [other, { section }] of Object.entries(places)) setHidden(section, other !== name);
  document.body.dataset.place = name;
  if (name === "review") listSessions();
  changed();
}

function buildNavigation() {
  const nav = byId("places");
  for (const [name, { title }] of Object.entries(PLACES)) {
    placeButtons[name] = h("button", {
      type: "button",
      class: "place-button",
      testid: `place-${name}`,
      text: title,
      on: { click: () => go(name) },
    });
    nav.append(placeButtons[name]);
  }
  const theme = h("button", { type: "button", class: "theme-button", testid: "theme", on: { click: toggle } });
  const label = () => {
    theme.textContent = current() === "dark" ? "Light" : "Dark";
    theme.setAttribute("aria-label", `Switch to the ${theme.textContent.toLowerCase()} theme`);
    changed();
  };
  onTheme(label);
  label();
  const said = h("p", { class: "last-command", role: "status", hidden: true });
  const notices = h("div", { class: "notice", role: "alert", hidden: true });
  const who = h("span", { class: "who-commands", testid: "who-commands" });
  nav.append(said, notices, h("span", { class: "vehicle-name", id: "vehicle" }), who, theme);
  return { lastCommand: LastCommand(said), noticeLine: NoticeLine(notices, acts), who };
}

function drawNotice() {
  if (page.notice && isOver(page.notice, situation(), page.now)) page.notice = null;
  noticeLine.update(page.notice);
  document.body.classList.toggle("noticed", Boolean(page.notice));
}

/** Who commands, in two words, on every place. */
function whoCommands({ desk: state, replay }) {
  if (replay || !state?.open) return ["", "none"];
  if (state.yours) return ["You command", "good"];
  return [state.holder ? `${state.holder} commands` : "Nobody commands", "caution"];
}

function draw() {
  requestAnimationFrame(draw);
  if (!dirty && !page.replay?.clock.playing) return;
  dirty = false;
  page.now = performance.now();
  const view = currentView();
  const beside = page.replay ? liveView() : null;
  banners.update(page, beside && liveLine(beside));
  drawNotice();
  const [words, tone] = whoCommands(page);
  setText(who, words);
  setTone(who, tone);
  setHidden(byId("loading"), Boolean(view) || place === "review");
  document.body.classList.toggle("replaying", Boolean(page.replay));
  document.body.classList.toggle("no-live", page.mode === "replay");
  document.body.classList.toggle("commandless", Boolean(page.replay) || !page.desk);
  if (!view) {
    drawWithoutStore();
    return;
  }
  status.update(view, beside);
  alarmList.update(view);
  lastCommand.update(view);
  bar.update(view);
  sheet.update(view);
  const { vehicle, site } = view.store.dictionary;
  const name = [vehicle, site?.name].filter(Boolean).join(", ");
  if (byId("vehicle").textContent !== name) byId("vehicle").textContent = name;
  for (const panel of places[place].panels) panel.update(view);
}

// Without any session the shelf must still open: only what needs no store is drawn.
function drawWithoutStore() {
  if (place !== "review") return;
  places.review.named.sessions.update({ page, store: null });
}

async function start() {
  page.canKeep = takeToken() !== null;
  try {
    page.about = await getAbout();
  } catch (error) {
    trouble(error.message);
    setTimeout(start, 2000);
    return;
  }
  page.mode = page.about.mode;
  trouble(null);
  document.title = `Blockhouse \u2014 ${page.mode}`;
  if (page.mode !== "replay") {
    new ViewSocket(socketUrl("/ws/view"), {
      message: (message) => live.receive(message),
      state: ({ silentSince }) => {
        page.silentSince = silentSince;
        changed();
      },
    });
    openDesk();
  }
  if (page.about.open) {
    await openSession({ name: page.about.open, label: page.about.open });
    go("review");
  } else if (page.mode === "replay") go("review");
}

startTheme();
const places = buildPlaces(byId("main"), acts, h);
const { lastCommand, noticeLine, who } = buildNavigation();
const status = StatusLine(byId("status"), acts);
const alarmList = AlarmList(byId("alarms"), acts);
const banners = Banners(byId("banners"), acts);
const bar = ReplayBar(byId("replay"), acts);
const sheet = new DeskSheet(byId("sheet"), { ask, changed });
go(place);
setInterval(changed, TICK_MS);
setInterval(() => {
  if (place === "review" && !document.hidden) listSessions();
}, SESSIONS_MS);
addEventListener("resize", changed);
document.addEventListener("visibilitychange", () => {
  if (!document.hidden) changed();
});
listen(() => ({ replay: Boolean(page.replay) }), acts);
start();
draw();
