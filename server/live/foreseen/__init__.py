"""What is foreseen while a station runs: flights drawn apart, and a line of the pad sheet from them."""
