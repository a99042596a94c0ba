"""What packets mean, the same live or recorded: trackers batch by batch, judgements when a part of the flight is over.

`analysis` runs the trackers in order; each takes batches of any size and must give the same for every cut.
The stage after them, `judging`, keeps a log of the flight (`flight_log`) and makes the judgements of `judgements/schedule`
at the first frame heard after they are due, from what had been heard up to that frame; live in a thread of its own.
What both tell in numbers is a frozen dataclass of `figures/`, a journal entry with topic `figure` once
`TrackerOutput.note_figure` has noted it; the rules of `findings/` turn figures into topic `finding`. `pipeline` joins
decoding, trackers and judging, live (`Pipeline.take`) and for a whole recording (`recorded_output`); a test compares the
two value for value.

The way of an alarm: a tracker (or, for the link, the station) notes topic `alarm`, state "raised" with its `advice`
once when it begins or gets worse, "cleared" when it has been over for long enough -> `alarms.AlarmBoard` (station,
summary) and the page fold the same list. An acknowledgment is a note of the topic `acknowledged` that names the
arrival of the raise the person saw (`raised_rx`), so that a later raise is never meant by it and a replay folds the
same.

`trackers/servo_cable` settles whether the servo connector opened too early by what is heard (a row `AT_S` or more
after the opening that still says "not deployed"), never by a clock; `judgements/control` believes no fin after it.
"""
