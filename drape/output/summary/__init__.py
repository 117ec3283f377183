"""summary.json: its models, and the records made for it."""
