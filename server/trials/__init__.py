"""The bench trial, pure.

The way of a bench trial: TOML -> `plan` (checked against the dictionary) -> `trial` (engine without I/O; states in
`state`, what is armed or fired in `watch`) <- `live.trial_desk` (on a live station: two acts, one permit of the
command queue, notes of the topic "trial") -> `result`. The page and `blockhouse trial` (a station of its own) are two
hands on the same `TrialDesk`.
"""
