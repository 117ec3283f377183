"""The GL window, and pictures drawn in a process of their own."""
