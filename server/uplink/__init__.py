"""From a person's act to proof: arm-confirm queue, authority, key, counter.

The way of a command: page -> `/ws/desk` -> the station's act -> `command_queue` (states in `command_state`, refusals
in `rules`) -> Prepare (counter stored and synced, intent recorded and synced) -> interlocks once more -> Transmit ->
answers -> effect in telemetry. `permit_desk` does the same for a written plan: two acts open it, each of its commands
is counted and looked at. Nothing here does I/O but the key's and the counter's files; time is an argument. What must
always hold stands in INVARIANTS.md.
"""
