"""Sample sessions as package data, so that an installed copy offers them too."""
