// The places as buttons, the theme, who commands, and room for the last command and for notices. Keeps which place is
// shown.

import { whoCommands } from "../desk/authority.js";
import { h, setAttr, setHidden, setText, setTone } from "../kit/dom.js";
import { current, onTheme, toggle } from "../kit/theme.js";
import { LastCommand } from "./last_command.js";
import { NoticeLine } from "./notice.js";
import { soundButton } from "./sound_button.js";
import { unitsButton } from "./units_button.js";

export class Navigation {
  #places;
  #acts;
  #buttons = {};
  #who = h("button", { type: "button", class: "who-commands", testid: "who-commands", "aria-controls": "dock" });
  #vehicle = h("span", { class: "vehicle-name", id: "vehicle" });
  #heading = document.getElementById("place-name");
  #place = "";

  /**
   * @param {Element} nav @param {{[name: string]: {title: string, section: Element}}} places
   * @param {{changed: () => void, dismiss: () => void, dock: () => void, sound: () => void, units: () => void,
   * entered: (place: string) => void}} acts
   */
  constructor(nav, places, acts) {
    this.#places = places;
    this.#acts = acts;
    for (const [name, { title }] of Object.entries(places)) this.#buttons[name] = this.#button(name, title);
    const said = h("p", { class: "last-command", role: "status", hidden: true });
    const notice = h("div", { class: "notice", role: "alert", hidden: true });
    this.sound = soundButton(acts);
    this.#who.addEventListener("click", () => acts.dock());
    this.units = unitsButton(acts);
    const tail = [this.#vehicle, this.#who, this.units.el, this.sound.el, themeButton(acts.changed)];
    nav.append(...Object.values(this.#buttons), said, notice, ...tail);
    this.lastCommand = LastCommand(said);
    this.notice = NoticeLine(notice, acts);
  }

  /** Name of the place that is shown. */
  get place() {
    return this.#place;
  }

  go(place) {
    if (place !== this.#place) scrollTo(0, 0); // a phone scrolls the page itself; another place begins at its top
    this.#place = place;
    for (const [name, button] of Object.entries(this.#buttons)) {
      setAttr(button, "aria-current", name === place ? "page" : null);
      setHidden(this.#places[name].section, name !== place);
    }
    document.body.dataset.place = place;
    setText(this.#heading, this.#places[place].title);
    this.#acts.entered(place);
    this.#acts.changed();
  }

  /** Say at who commands whether the dock is open. */
  dockShown(shown) {
    setAttr(this.#who, "aria-expanded", String(shown));
  }

  /** @param {object} page @param {object|undefined} dictionary of the session that is looked at */
  update(page, dictionary) {
    const [words, tone] = whoCommands(page);
    setText(this.#who, words);
    setHidden(this.#who, !words);
    setAttr(this.#who, "aria-label", `${words}: open or close the command dock`);
    setAttr(this.#who, "title", "Commands (D)");
    setTone(this.#who, tone);
    if (dictionary) setText(this.#vehicle, [dictionary.vehicle, dictionary.site?.name].filter(Boolean).join(", "));
  }

  #button(name, title) {
    const click = () => this.go(name);
    return h("button", { type: "button", class: "place-button", testid: `place-${name}`, text: title, on: { click } });
  }
}

function themeButton(changed) {
  const theme = h("button", { type: "button", class: "theme-button", testid: "theme", on: { click: toggle } });
  const label = () => {
    theme.textContent = current() === "dark" ? "Light" : "Dark";
    theme.setAttribute("aria-label", `Switch to the ${theme.textContent.toLowerCase()} theme`);
    changed();
  };
  onTheme(label);
  label();
  return theme;
}
