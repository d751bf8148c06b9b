"""YAML and TOML as plain data that remembers where it stands, and faults of shape found all at once."""
