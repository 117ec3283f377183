"""The closed mould: the halves as one surface."""
