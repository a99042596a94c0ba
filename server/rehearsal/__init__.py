"""Rehearsal: flight code of the real computer, given sensor values, believes that it flies.

`wires` carries bytes to it, `conversation` gets it into a rehearsal and out of it, `answers` reads what each step
gave. `plant` is the simulated vehicle around it (the twin's air, motor, body, sensors and canopies), `closed_loop`
flies both together, `sensor_faults` disturb what it is told. `shadow` is the twin's own computer on the same sensor
values, the measure; `judging` says what was wrong in a run, in which frame and what began there; `cases` looks for
the least that still shows it, keeps that in a file and plays it; `score` counts runs; `track` keeps what is drawn of
one. Time is that of the rehearsal, since it began: seconds, or whole us.
"""
