"""Pass one: one picture to numbers and a compact sketch."""
