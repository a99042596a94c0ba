// Who holds command authority, the acts to take it, give it up and hand it over, and the operator's name.

import { h, setAttr, setHidden, setText, setTone, syncList } from "../kit/dom.js";
import { company, whyNot } from "./authority.js";

export function AuthorityPanel(el, acts) {
  const word = h("p", { class: "authority-word", testid: "desk-authority" });
  const take = h("button", {
    type: "button",
    class: "act",
    testid: "desk-take",
    on: { click: () => acts.desk({ type: "take" }) },
  });
  const release = h("button", {
    type: "button",
    class: "act",
    testid: "desk-release",
    text: "Give up",
    "aria-label": "Give up command authority",
    on: { click: () => acts.desk({ type: "release" }) },
  });
  const others = h("p", { class: "facts", testid: "desk-others" });
  const hands = h("div", { class: "command-buttons" });
  const name = h("input", {
    type: "text",
    maxlength: "24",
    autocomplete: "off",
    "aria-label": "Your name, for the recording",
    placeholder: "Your name",
    testid: "desk-name",
  });
  const use = h("button", { type: "submit", class: "act", text: "Use this name", testid: "desk-rename" });
  const form = h(
    "form",
    {
      class: "mark-form",
      on: {
        submit: (event) => {
          event.preventDefault();
          if (name.value.trim()) acts.rename(name.value.trim());
          name.value = "";
          name.blur();
        },
      },
    },
    name,
    use,
  );
  el.append(h("div", { class: "authority" }, word, take, release), others, hands, form);
  return {
    update(view) {
      const { desk, replay } = view.page;
      const reason = whyNot(view.page);
      const there = Boolean(desk?.open) && !replay;
      setText(word, reason || `You hold command authority as ${desk.operator}.`);
      setTone(word, reason && desk ? "caution" : "none");
      setHidden(take, !there || desk.yours);
      setHidden(release, !there || !desk.yours);
      setText(take, desk?.holder ? `Take over from ${desk.holder}` : "Take authority");
      setText(others, there ? `You are ${desk.operator}. ${company(desk)}` : "");
      syncList(
        hands,
        there && desk.yours ? desk.others : [],
        (other) => other,
        (other) =>
          h("button", {
            type: "button",
            class: "act",
            text: `Hand over to ${other}`,
            on: { click: () => acts.desk({ type: "give", to: other }) },
          }),
        () => {},
      );
      setHidden(form, !there);
      setAttr(name, "placeholder", there ? `Your name, now ${desk.operator}` : "Your name");
    },
  };
}
