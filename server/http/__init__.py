"""Translation to HTTP and WebSocket, and who may talk.

The way to a viewer: `viewers` makes one message for all at the same place, `viewer_line` frames it once, and the hub
itself writes it into every socket that has taken the one before (`connections.LinedSocket` hands the socket to the
route); a connection without a line (a test client) is served by a task that awaits its send. A page that offers an
operator's token (`viewer_socket`) has a place of its own, gets news at once and is first in every round.

The way of a stranger: `doorman` counts connections and viewers by address (the last quarter is this computer's own),
`connections` lets go who says nothing for 15 s -> `security.Gatekeeper` refuses a foreign Host (421), a foreign Origin,
what a browser says another page asked for (Sec-Fetch-Site), a change by the shared address, a body too large, and more
than 600 requests at once or 60 a second (429) -> a route; what takes time to work out runs two at a time, sixteen more
wait, beyond that 503 (`request_limit`). Changes want a token, and wrong tokens wait longer each time
(`security.TokenGuard`).
"""
