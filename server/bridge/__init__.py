"""One thread owns the port; says whether the vehicle is heard."""
