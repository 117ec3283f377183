"""The pin-jointed net, and what is read from it."""
