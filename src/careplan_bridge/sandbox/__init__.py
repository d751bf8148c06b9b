"""A small FHIR R4 server for rehearsal, demonstration and tests; it imports nothing of the bridge."""
