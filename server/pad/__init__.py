"""The pad sheet, pure.

The way of a pad sheet: TOML -> `plan` (comparisons read by `telemetry.comparisons`, as in trial plans) -> `sheet`
(looks through `telemetry.conditions` at `readings`; states, ticks and what clears them) <- `live.pad_desk` (four
looks a second; notes of the topic "pad_sheet") -> journal -> the page, and `record` -> report and `blockhouse
padsheet`. The notes' keys: "definition" (shape and TOML text), "sheet" (open or closed, which round), "item NAME".
"""
