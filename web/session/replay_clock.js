// The clock of a replay. Time is an argument (seconds of any steady clock), so every rule can be tried without waiting.

export const SPEEDS = [0.1, 0.25, 0.5, 1, 2, 5, 10, 20];

export class ReplayClock {
  /** @param {number} start @param {number} end timeline seconds @param {number} t where to begin */
  constructor(start, end, t = start) {
    this.start = start;
    this.end = end;
    this.speed = 1;
    this.direction = 1;
    this.playing = false;
    this.loop = null;
    this.#t = clamp(t, start, end);
    this.#since = 0;
  }

  #t;
  #since;

  /** Timeline seconds at `now`. */
  at(now) {
    if (!this.playing) return this.#t;
    const t = this.#t + (now - this.#since) * this.speed * this.direction;
    if (this.loop && this.direction > 0 && this.#t < this.loop[1] && t >= this.loop[1]) {
      const [from, to] = this.loop;
      return from + ((t - from) % (to - from));
    }
    return clamp(t, this.start, this.end);
  }

  /** Stop by itself at either end. Returns the timeline seconds at `now`. */
  tick(now) {
    const t = this.at(now);
    if (this.playing && t === (this.direction > 0 ? this.end : this.start)) this.pause(now);
    return t;
  }

  /** Play; from the end it begins again, as a person pressing play there expects. */
  play(now, direction = 1) {
    let t = this.at(now);
    if (direction > 0 && t >= this.end) t = this.start;
    if (direction < 0 && t <= this.start) t = this.end;
    this.direction = direction;
    this.playing = true;
    this.#rebase(t, now);
  }

  pause(now) {
    const t = this.at(now);
    this.playing = false;
    this.#rebase(t, now);
  }

  toggle(now) {
    if (this.playing) this.pause(now);
    else this.play(now);
  }

  seek(t, now) {
    this.#rebase(clamp(t, this.start, this.end), now);
  }

  /** Play a stretch over and over; null ends it. A stretch shorter than a tenth of a second is none. */
  setLoop(stretch, now) {
    const t = this.at(now);
    const [from, to] = stretch ?? [0, 0];
    this.loop = to - from >= 0.1 ? [clamp(from, this.start, this.end), clamp(to, this.start, this.end)] : null;
    this.#rebase(t, now);
  }

  setSpeed(speed, now) {
    const t = this.at(now);
    this.speed = clamp(speed, SPEEDS[0], SPEEDS[SPEEDS.length - 1]);
    this.#rebase(t, now);
  }

  /** J and L: play in a direction, and once more in the same direction is faster. */
  shuttle(direction, now) {
    if (this.playing && this.direction === direction) {
      const faster = SPEEDS.find((speed) => speed > this.speed);
      this.setSpeed(faster ?? this.speed, now);
    } else {
      this.play(now, direction);
    }
  }

  #rebase(t, now) {
    this.#t = t;
    this.#since = now;
  }
}

function clamp(x, low, high) {
  return Math.min(high, Math.max(low, x));
}
