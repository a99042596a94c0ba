"""The station: serial bridge, recorder, pipeline, flight computation, command queue, HTTP and WebSocket."""

__version__ = "0.1.0"
