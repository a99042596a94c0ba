"""Single faults put into the command queue and the vehicle's side, one at a time, to see that the tests bite."""
