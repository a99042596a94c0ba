// Which panel is in which place. Adding a panel is one line here.

import { AuthorityPanel } from "./authority_panel.js";
import { CameraBank } from "./camera_bank.js";
import { LateralPanel, ParachuteStates, RecoveryChannels } from "./channel_panel.js";
import { ChannelTable } from "./channel_table.js";
import { ClimbColumn } from "./climb_column.js";
import { ComparePanel } from "./compare_panel.js";
import { CommandLog } from "./command_log.js";
import { CommandList, MarkPanel } from "./desk_panel.js";
import { EventList } from "./event_list.js";
import { WholeFigures } from "./figures_panel.js";
import { cursorPanel } from "./cursor_panel.js";
import { FindingsPanel, WholeFindings } from "./findings_panel.js";
import { FinPanel } from "./fin_panel.js";
import { AddedStrips, FlightStrips, ReviewStrips } from "./flight_strips.js";
import { ImuPanel } from "./imu_panel.js";
import { LinkPanel, RecorderLine } from "./link_panel.js";
import { OnboardPanel } from "./onboard_panel.js";
import { PadSheetPanel, WholePadSheet } from "./pad_sheet.js";
import { ConfigurationPanel, NextFlightPanel } from "./plan_panel.js";
import { PowerPanel } from "./power_panel.js";
import { Readouts } from "./readouts.js";
import { DescentPanel, Whereabouts } from "./recovery_panel.js";
import { ServoCablePanel } from "./servo_cable_panel.js";
import { SessionList } from "./session_list.js";
import { SharePanel } from "./share_panel.js";
import { SummaryPanel } from "./summary_panel.js";
import { TiltScope } from "./tilt_scope.js";
import { VideoPanel } from "./video_panel.js";
import { TrialPanel } from "./trial_panel.js";

/** Each place: columns of panels [id, heading or "", panel]. */
export const PLACES = {
  bench: { title: "Bench", columns: [
    [["channels", "Channels", ChannelTable], ["added", "Strips", AddedStrips]],
    [["bench-fins", "Fins", FinPanel], ["bench-authority", "Command authority", AuthorityPanel], ["bench-trials", "Bench trials", TrialPanel], ["bench-log", "Recent commands", CommandLog], ["bench-commands", "All commands", CommandList], ["bench-link", "Link", LinkPanel], ["bench-next", "Next flight", NextFlightPanel], ["bench-configuration", "This configuration", ConfigurationPanel], ["share", "Watching along", SharePanel]],
  ] },
  pad: { title: "Pad", columns: [
    [["pad-sheet", "Pad sheet", PadSheetPanel]],
    [["cameras", "Cameras", CameraBank], ["power", "Power", PowerPanel], ["servo-cable", "Servo cable", ServoCablePanel], ["pad-link", "Link", LinkPanel], ["recorder", "Recorder", RecorderLine]],
    [["lateral", "Lateral motors", LateralPanel], ["recovery-channels", "Recovery channels", RecoveryChannels], ["imu", "Inertial units", ImuPanel]],
    [["authority-panel", "Command desk", AuthorityPanel], ["log", "Recent commands", CommandLog], ["mark", "Mark in the recording", MarkPanel], ["pad-findings", "Findings", FindingsPanel], ["pad-events", "Events", EventList], ["commands-panel", "All commands", CommandList]],
  ] },
  flight: { title: "Flight", columns: [
    [["climb", "Climb", ClimbColumn]],
    [["scope", "Nose from above", TiltScope], ["flight-events", "Events", EventList]],
    [["readouts", "", Readouts], ["strips", "", FlightStrips]],
  ] },
  recovery: { title: "Recovery", columns: [
    [["whereabouts", "Last known position", Whereabouts]],
    [["descent", "Descent", DescentPanel], ["chutes", "Parachutes", ParachuteStates]],
    [["recovery-findings", "Findings", FindingsPanel], ["recovery-events", "Events", EventList]],
  ] },
  review: { title: "Review", columns: [
    [["cursor", "At the cursor", cursorPanel(ClimbColumn, TiltScope)], ["sessions", "Sessions", SessionList], ["summary", "Summary", SummaryPanel]],
    [["review-findings", "Findings", WholeFindings], ["whole", "Whole flight", ReviewStrips], ["figures", "The flight in numbers", WholeFigures], ["whole-pad-sheet", "Pad sheet", WholePadSheet], ["next", "Next flight", NextFlightPanel], ["configuration", "This configuration", ConfigurationPanel], ["compare", "Flights compared", ComparePanel], ["video", "Onboard videos", VideoPanel], ["onboard", "Onboard log", OnboardPanel]],
  ] },
};

/** Build the sections once. Returns {name: {section, panels, named}}, the last by id. */
export function buildPlaces(main, acts, h) {
  return Object.fromEntries(Object.entries(PLACES).map(([name, { title, columns }]) => {
    const panels = [];
    const named = {};
    const section = h("section", { class: `place -${name}`, id: `place-${name}`, hidden: true, "aria-label": title });
    for (const column of columns) {
      const box = h("div", { class: "column" });
      for (const [id, heading, panel] of column) {
        const body = h("div", { class: "panel-body" });
        box.append(h("section", { class: `panel ${id}`, "aria-label": heading || id }, heading && h("h2", { text: heading }), body));
        named[id] = panel(body, acts);
        panels.push(named[id]);
      }
      section.append(box);
    }
    main.append(section);
    return [name, { section, panels, named }];
  }));
}
