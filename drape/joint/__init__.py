"""What happens at the parting line: overlaps, build-up, tuck, ease, yarns."""
