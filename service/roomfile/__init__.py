"""room.toml <-> the model."""
