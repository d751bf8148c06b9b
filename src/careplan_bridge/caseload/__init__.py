"""The caseload run: every plan that is due, one after another, each with its own result."""
