// What a recording was asked on demand and what came of it. The list of questions is asked for once; an answer takes
// the station seconds to a minute and is kept while the recording is open.

import { getStudies, getStudy } from "./api.js";

export class Studies {
  #known = { list: null, session: "", told: {}, asked: "" };
  #changed;
  #getList;
  #getOne;

  /** @param {() => void} changed */
  constructor(changed, getList = getStudies, getOne = getStudy) {
    this.#changed = changed;
    this.#getList = getList;
    this.#getOne = getOne;
  }

  /** {list: [{name, question}] or null, told: {subject: {study}, {problem} or {busy: true}}, asked: the one shown} */
  get known() {
    return this.#known;
  }

  acts = {
    lookAtStudies: (session) => {
      if (session !== this.#known.session) this.#set({ session, told: {}, asked: "" });
      if (this.#known.list !== null) return undefined;
      this.#set({ list: [] });
      return this.#list();
    },
    askStudy: (subject) => this.#ask(subject),
  };

  async #list() {
    try {
      this.#set({ list: await this.#getList() });
    } catch {
      this.#set({ list: null }); // asked again when next looked at
    }
  }

  async #ask(subject) {
    const { session, told } = this.#known;
    this.#set({ asked: subject });
    if (told[subject] && !told[subject].problem) return;
    this.#tell(subject, { busy: true });
    let answer;
    try {
      answer = { study: await this.#getOne(session, subject) };
    } catch ({ message }) {
      answer = { problem: message };
    }
    if (this.#known.session === session) this.#tell(subject, answer);
  }

  #tell(subject, answer) {
    this.#set({ told: { ...this.#known.told, [subject]: answer } });
  }

  #set(change) {
    this.#known = { ...this.#known, ...change };
    this.#changed();
  }
}
