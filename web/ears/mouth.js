// What makes a sound: tones drawn in the page, and the system's own voice where it has a local one.

/** Each tone as steps of [frequency (Hz), length (s)]; 0 Hz is a pause. Rising is up, falling is down. */
export const TONES = {
  tick: [[880, 0.06]],
  rise: [
    [440, 0.08],
    [660, 0.08],
    [880, 0.14],
  ],
  level: [[660, 0.2]],
  top: [
    [880, 0.1],
    [0, 0.05],
    [880, 0.2],
  ],
  open: [
    [660, 0.08],
    [880, 0.08],
    [660, 0.08],
  ],
  land: [
    [660, 0.1],
    [440, 0.1],
    [330, 0.2],
  ],
  lean: [
    [520, 0.07],
    [0, 0.04],
    [520, 0.07],
  ],
  caution: [
    [600, 0.15],
    [500, 0.15],
  ],
  warning: [
    [900, 0.12],
    [600, 0.12],
    [900, 0.12],
    [600, 0.12],
  ],
  "heads-up": [
    [1200, 0.12],
    [800, 0.12],
    [1200, 0.12],
    [800, 0.12],
    [1200, 0.12],
    [800, 0.12],
  ],
};
const LOUD = 0.25;
const RAMP_S = 0.01;
const LONGEST_S = 8; // a voice that never says it has ended must not keep all others from the word

/** @param {typeof globalThis} world the window, or something of its shape */
export class Mouth {
  constructor(world) {
    this.#world = world;
  }

  #world;
  #audio = null;

  /** Whether the page may be heard: browsers want a press first. */
  get awake() {
    return this.#audio?.state === "running";
  }

  /** To be called within a press. */
  wake() {
    const Audio = this.#world.AudioContext;
    if (!Audio) return;
    this.#audio ??= new Audio();
    this.#audio.resume?.();
  }

  /** The system's own voice for the page's language, or null: never one that sends the words elsewhere. */
  get voice() {
    const voices = this.#world.speechSynthesis?.getVoices?.() ?? [];
    const local = voices.filter(({ localService }) => localService);
    return local.find(({ lang }) => /^en/i.test(lang)) ?? null;
  }

  tone(name) {
    if (!this.awake) return;
    let at = this.#audio.currentTime;
    for (const [frequency, length] of TONES[name] ?? []) {
      if (frequency > 0) this.#beep(frequency, at, length);
      at += length;
    }
  }

  #beep(frequency, at, length) {
    const oscillator = this.#audio.createOscillator();
    const gain = this.#audio.createGain();
    oscillator.frequency.value = frequency;
    gain.gain.setValueAtTime(0, at);
    gain.gain.linearRampToValueAtTime(LOUD, at + RAMP_S);
    gain.gain.setValueAtTime(LOUD, at + length - RAMP_S);
    gain.gain.linearRampToValueAtTime(0, at + length);
    oscillator.connect(gain).connect(this.#audio.destination);
    oscillator.start(at);
    oscillator.stop(at + length);
  }

  /** Ask for words; `ended` is called once, when they are over or where there is no voice for them. */
  speak(words, ended) {
    const { voice } = this;
    if (!voice) {
      ended();
      return;
    }
    let open = true;
    const end = () => {
      if (open) ended();
      open = false;
    };
    const utterance = new this.#world.SpeechSynthesisUtterance(words);
    utterance.voice = voice;
    utterance.rate = 1.15;
    utterance.onend = utterance.onerror = end;
    this.#world.setTimeout(end, LONGEST_S * 1000);
    this.#world.speechSynthesis.speak(utterance);
  }

  stop() {
    this.#world.speechSynthesis?.cancel();
  }
}
