"""The vehicle on paper: sheet numbers, configuration, next flight.

The way of the next flight: the sheet's table [vehicle.configuration] -> `configuration_sheet` (every slip named by
table and key) -> `configuration` (centers, margin, swing; the fin size that keeps a margin) and `flight_basis` (what
one flight is computed from; drag from the session's figure "drag") -> `foreseen_flight` (forecast of the ascent) ->
`next_flight` -> page and `blockhouse next`. A session keeps its sheet whole, a `thrust_file` included (`sheet_files`).
"""
