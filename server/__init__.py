"""The station: serial bridge, recorder, pipeline, flight computation, command queue, HTTP and WebSocket."""
