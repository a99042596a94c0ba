"""How the vehicle moves: height and climb, attitude, phases and their moments."""
