"""One thread owns the port; says whether the vehicle is heard.

`serial_bridge` reads, writes and opens again; it parses nothing and decides nothing. `ports` knows names and refusals
of ports, `link_watch` turns port and silence into one state.
"""
