// One reviewed session: its store, its timebase and its clock, and the acts of the replay bar.

import { ReplayClock } from "./replay_clock.js";
import { Timebase } from "./timebase.js";

const BEFORE_LIFT_OFF_S = 3;
const NUDGE_S = 1;
const NEAR_S = 0.1; // a moment further from any packet than this is none of theirs

const AROUND_S = 20;

/**
 * The part of a session that is the flight, when it is less than half of the session: an hour on the pad would leave
 * no pixel for it. Undefined when the whole session is the better view.
 * @returns {[number, number]|undefined} timeline seconds
 */
export function flightRange({ journal, tRange: [start, end] }) {
  const moment = (key) => journal.state("moment", key)?.body?.t;
  const liftOff = moment("lift_off");
  if (liftOff === undefined) return undefined;
  const range = [Math.max(start, liftOff - AROUND_S), Math.min(end, (moment("landing") ?? end) + AROUND_S)];
  return range[1] - range[0] < (end - start) / 2 ? range : undefined;
}

export class Replay {
  constructor(store, { name, label }) {
    this.store = store;
    this.name = name;
    this.label = label || name;
    this.timebase = new Timebase(store);
    const liftOff = store.journal.state("moment", "lift_off")?.body?.t;
    this.clock = new ReplayClock(
      ...store.tRange,
      liftOff === undefined ? store.tRange[0] : liftOff - BEFORE_LIFT_OFF_S,
    );
    this.held = null;
    this.focus = null;
    this.loopFrom = undefined;
  }

  /** Whether it runs forward as it was flown, so that what was called out then may be called out again. */
  get playsAsFlown() {
    return this.clock.playing && this.clock.speed === 1 && this.clock.direction === 1;
  }

  /**
   * The cursor at `now`. A step by packet, or a jump to one, holds its exact arrival and which of those that arrived
   * together it is, until the clock moves again.
   */
  cursor(now) {
    const t = this.clock.tick(now);
    if (this.held && this.held.t === t) return { rx: this.held.rx, t, live: false, packet: this.held.packet };
    this.held = null;
    return { rx: this.timebase.rxAt(t), t, live: false };
  }

  act(what, argument, now) {
    const { clock } = this;
    if (what === "toggle") clock.toggle(now);
    else if (what === "pause") clock.pause(now);
    else if (what === "shuttle") clock.shuttle(argument, now);
    else if (what === "speed") clock.setSpeed(argument, now);
    else if (what === "seek") clock.seek(argument, now);
    else if (what === "nudge") clock.seek(clock.at(now) + argument * NUDGE_S, now);
    else if (what === "start") clock.seek(clock.start, now);
    else if (what === "end") clock.seek(clock.end, now);
    else if (what === "step") this.#step(argument, now);
    else if (what === "look") this.#look(argument, now);
    else if (what === "loop") this.#loop(now);
  }

  /** One act, three meanings in turn: the loop begins here, it ends here, no loop any more. */
  #loop(now) {
    const { clock } = this;
    const t = clock.at(now);
    if (clock.loop) clock.setLoop(null, now);
    else if (this.loopFrom === undefined) {
      this.loopFrom = t;
      return;
    } else {
      clock.setLoop([Math.min(this.loopFrom, t), Math.max(this.loopFrom, t)], now);
      if (clock.loop) clock.seek(clock.loop[0], now);
    }
    this.loopFrom = undefined;
  }

  #step(direction, now) {
    const { rx, packet } = this.cursor(now);
    this.clock.pause(now);
    const together = packet ? this.store.packetsAt(rx) : [];
    const place = together.findIndex(({ table, row }) => table === packet?.table && row === packet?.row);
    let next = place < 0 ? undefined : together[place + direction];
    if (!next) {
      const moment = this.store.neighbor(rx, direction);
      if (moment === undefined) return;
      const there = this.store.packetsAt(moment);
      next = there[direction > 0 ? 0 : there.length - 1];
    }
    this.#hold(next, now);
  }

  #hold(packet, now) {
    this.clock.pause(now);
    this.clock.seek(packet.t, now);
    this.held = { t: this.clock.at(now), rx: packet.rx, packet };
  }

  /** Show what was found: the packet at its moment, and the strips about it. */
  #look({ t, key }, now) {
    const packet = this.store.packetNear(t);
    if (packet && Math.abs(packet.t - t) < NEAR_S) this.#hold(packet, now);
    else {
      this.clock.pause(now);
      this.clock.seek(t, now);
    }
    this.focus = { t, key };
  }
}
