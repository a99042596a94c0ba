"""The station: serial bridge, recorder, pipeline, flight computation, command queue, HTTP and WebSocket."""

import os

# One thread for sums, said before numpy is loaded: ours are small, and a second thread that waits for each of them takes the
# core that the event loop, or another computation, is to have. Whoever sets it himself is obeyed.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

__version__ = "0.1.0"
