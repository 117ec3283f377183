"""Exact surfaces and split moulds with exact answers, for tests and demos."""
