"""Translation to HTTP and WebSocket, and who may talk."""
