// The servo cable as a panel of its own, for the pad: do the servos have power, do they answer, is the connector
// closed?

import { absent, builder } from "../../kit/dom.js";
import { ServoCable } from "../../kit/servo_cable.js";

export function ServoCablePanel(el) {
  const once = builder();
  const cable = ServoCable();
  return {
    update(view) {
      once(view.store, () => el.replaceChildren(cable.build(view) ? cable.el : absent("The servo bus is")));
      cable.update(view);
    },
  };
}
