// Where phones on the same network may watch, as a code to scan.

import { h, setHidden, setText } from "../../kit/dom.js";

const SHARING = "Start the station with --share to let phones on the same network look, without any right to command.";

export function SharePanel(el) {
  const code = h("img", {
    class: "share-code",
    alt: "QR code of the view-only link",
    width: "232",
    height: "232",
    hidden: true,
    testid: "share-code",
  });
  const link = h("p", { class: "share-link", testid: "share-link" });
  const none = h("p", {
    class: "absent",
    text: `Nobody else can watch: the page answers on this computer only. ${SHARING}`,
  });
  el.append(code, link, none);
  return {
    update(view) {
      const shared = view.page.about?.shared;
      setHidden(none, Boolean(shared));
      setHidden(code, !shared);
      setText(link, shared ? `${shared} \u2014 view only` : "");
      if (shared && !code.hasAttribute("src")) code.setAttribute("src", "/api/shared.svg");
    },
  };
}
