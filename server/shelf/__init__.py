"""Recordings in a folder and what lies beside them.

`shelf` lists, `session_notes` keeps what a person adds, `trash` moves. The way of an onboard log: file ->
`onboard_log` (mapping, units, rows) -> `onboard_alignment` (pairs of what both saw -> `flight.sensors.alignment`;
what the radio lost) -> `onboard_store` (copy beside the session, alignment in its notes).
"""
