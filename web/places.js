// Which panel is in which place. Adding a panel is one line here.

import { h } from "./kit/dom.js";

import { folded } from "./kit/folded.js";
import { DangerPanel } from "./panels/find/danger_panel.js";
import { PlacePanel } from "./panels/find/place_panel.js";
import { PlanPanel } from "./panels/find/plan_panel.js";
import { ChuteLines, DescentPanel } from "./panels/find/recovery_panel.js";
import { WalkPanel } from "./panels/find/walk_panel.js";
import { besidePanel } from "./panels/learn/beside_panel.js";

import { ComparePanel } from "./panels/learn/compare_panel.js";
import { CursorStates, cursorPanel } from "./panels/learn/cursor_panel.js";
import { WholeFigures } from "./panels/learn/figures_panel.js";
import { FindingsPanel } from "./panels/learn/findings_panel.js";
import { GoalsPanel } from "./panels/learn/goals_panel.js";
import { OnboardPanel } from "./panels/learn/onboard_panel.js";
import { PacketPanel } from "./panels/learn/packet_panel.js";
import { ConfigurationPanel, NextFlightPanel } from "./panels/learn/plan_panel.js";
import { CurvesPanel, VehiclePanel } from "./panels/learn/plan_pictures.js";
import { SessionList } from "./panels/learn/session_list.js";
import { StoryPanel } from "./panels/learn/story_panel.js";
import { SummaryPanel } from "./panels/learn/summary_panel.js";
import { VerdictPanel } from "./panels/learn/verdict_panel.js";
import { VideoPanel } from "./panels/learn/video_panel.js";
import { CameraBank } from "./panels/ready/camera_bank.js";
import { LateralPanel, RecoveryChannels } from "./panels/ready/channel_panel.js";
import { CountPanel } from "./panels/ready/count_panel.js";
import { LinkNow } from "./panels/ready/link_now.js";
import { PadSheetPanel } from "./panels/ready/pad_sheet.js";
import { RailPanel } from "./panels/ready/rail_panel.js";
import { WholePadSheet } from "./panels/ready/whole_pad_sheet.js";
import { ChannelTable } from "./panels/try/channel_table.js";
import { FinPanel } from "./panels/try/fin_panel.js";
import { RehearsalPanel } from "./panels/try/rehearsal_panel.js";
import { RehearsedRun } from "./panels/try/rehearsed_run.js";
import { SharePanel } from "./panels/try/share_panel.js";
import { TrialPanel } from "./panels/try/trial_panel.js";
import { AttitudePanel } from "./panels/watch/attitude_panel.js";
import { ClimbColumn } from "./panels/watch/climb_column.js";
import { EventList } from "./panels/watch/event_list.js";
import { FlightStrips, PickedCharts, ReviewStrips } from "./panels/watch/flight_strips.js";
import { NowPanel } from "./panels/watch/now_panel.js";
import { ProfilePanel } from "./panels/watch/profile_panel.js";
import { Readouts } from "./panels/watch/readouts.js";
import { TiltScope } from "./panels/watch/tilt_scope.js";
import { TimelinePanel } from "./panels/watch/timeline_panel.js";
import { WatchStrips } from "./panels/watch/watch_strips.js";
import { whenSeen } from "./panels/watch/when_seen.js";
import { WorstLine } from "./panels/watch/worst_line.js";

/** Each place: columns of panels [id, heading or "", panel]. */
const PLACES = {
  try: {
    title: "Try",
    columns: [
      [["bench-fins", "Fins and channels", FinPanel]],
      [
        ["picked", "Charts", PickedCharts],
        ["channels", "", ChannelTable],
      ],
      [
        ["bench-trials", "Bench trials", TrialPanel],
        ["rehearsals", "Rehearsals", RehearsalPanel],
        ["share", "Watching along", SharePanel],
      ],
      [["rehearsed-run", "", RehearsedRun]],
    ],
  },
  ready: {
    title: "Ready",
    columns: [
      [["pad-sheet", "", PadSheetPanel]],
      [
        ["cameras", "Cameras and battery", CameraBank],
        ["count", "Count", CountPanel],
      ],
      [["lateral", "Lateral motors", LateralPanel]],
      [
        ["recovery-channels", "Recovery channels", RecoveryChannels],
        ["rail", "Wind and rail", RailPanel],
        ["link-now", "Link now", LinkNow],
      ],
    ],
  },
  watch: {
    title: "Watch",
    columns: [
      [
        ["now", "", NowPanel],
        ["profile", "From the side", ProfilePanel],
        ["scope", "Nose from above", TiltScope],
        ["watch-plan", "From above", PlanPanel],
        ["phases", "", TimelinePanel],
        ["watch-strips", "", WatchStrips],
        ["worst", "", WorstLine],
      ],
      [
        ["flown-goals", "", GoalsPanel],
        ["readouts", "", Readouts],
        ["flight-events", "Events", EventList],
        ["attitude", "Attitude in space", whenSeen(AttitudePanel)],
        ["climb", "Climb", ClimbColumn],
        ["strips", "Strips", whenSeen(FlightStrips)],
      ],
    ],
  },
  find: {
    title: "Find",
    columns: [
      [["danger", "", DangerPanel]],
      [
        ["whereabouts", "", WalkPanel],
        ["place-degrees", "Place", PlacePanel],
      ],
      [["plan", "Plan", PlanPanel]],
      [
        ["chutes", "Parachutes", ChuteLines],
        ["descent", "Descent", DescentPanel],
        ["recovery-findings", "", folded("Findings", FindingsPanel)],
        ["recovery-events", "", folded("Events", EventList)],
      ],
    ],
  },
  learn: {
    title: "Learn",
    columns: [
      [["sessions", "Flights", SessionList]],
      [
        ["verdict", "", VerdictPanel],
        ["goals", "", GoalsPanel],
      ],
      [
        ["story", "", StoryPanel],
        ["whole", "", ReviewStrips],
        ["figures", "The flight in numbers", WholeFigures],
        ["summary", "Summary", SummaryPanel],
        ["whole-pad-sheet", "Pad sheet", WholePadSheet],
        ["compare", "", ComparePanel],
        ["vehicle", "The vehicle, to scale", VehiclePanel],
        ["next", "Next flight", NextFlightPanel],
        ["curves", "", CurvesPanel],
        ["configuration", "This configuration", ConfigurationPanel],
        ["onboard", "Onboard log", OnboardPanel],
      ],
      [
        // One line adds a picture at the cursor: [key, title, panel].
        [
          "beside",
          "",
          besidePanel([
            ["cursor", "Scope", cursorPanel(ClimbColumn, TiltScope)],
            ["profile", "Profile", ProfilePanel],
            ["plan", "Plan", PlanPanel],
            ["attitude", "Attitude", AttitudePanel],
            ["states", "Channels", CursorStates],
            ["video", "Videos", VideoPanel],
          ]),
        ],
        ["packet", "", PacketPanel],
      ],
    ],
  },
};

/** Build the sections once. Returns {name: {title, section, panels, named}}, the last by id. */
export function buildPlaces(main, acts) {
  return Object.fromEntries(Object.keys(PLACES).map((name) => [name, buildPlace(main, acts, name)]));
}

function buildPlace(main, acts, name) {
  const { title, columns } = PLACES[name];
  const named = {};
  const section = h("section", { class: `place -${name}`, id: `place-${name}`, hidden: true, "aria-label": title });
  for (const column of columns) {
    const box = h("div", { class: "column" });
    for (const [id, heading, panel] of column) {
      const body = h("div", { class: "panel-body" });
      const shown = { class: `panel ${id}`, "aria-label": heading || id };
      box.append(h("section", shown, heading && h("h2", { text: heading }), body));
      named[id] = panel(body, acts);
    }
    section.append(box);
  }
  main.append(section);
  return { title, section, panels: Object.values(named), named };
}
