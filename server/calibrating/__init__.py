"""A calibration on the bench, step by step: what to do next, when it lies still, what came of it, and the files of it.

`signals` takes what is needed out of the telemetry by role, `guide` says what to do next from all that was heard so
far, and `result_files` writes the sheet's fragment and the C header. The same for a terminal, for the page and for a
recording: what is said is a function of the signals, and nothing else is remembered. Nothing is transmitted. `desk` has
it for the page of a live station and loads the rest only when a calibration begins.
"""
