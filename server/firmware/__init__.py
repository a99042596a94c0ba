"""The flight computer's half of the link as C, made from a dictionary, and a compiled one driven as a process.

The way of the firmware: dictionary -> `layout` (members, scales, limits, each kept once) -> `generator` (tables and
structs as C text) beside the fixed `c/bh_wire.c`, `c/bh_fields.c`, `c/bh_link.c`, which read the tables. `c/bh_host.c`,
written to `host/`, is the library behind a pipe; `process_link` drives it in place of `protocol.vehicle.VehicleLink`.
"""
