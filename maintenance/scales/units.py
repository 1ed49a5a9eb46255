"""Units in which a scale sends its values."""

# g: NIST Special Publication 811, appendix B.8: the avoirdupois pound is 0.453 592 37 kg, the ounce a sixteenth of it.
UNITS = {"g": 1.0, "kg": 1000.0, "oz": 453.59237 / 16, "lb": 453.59237}
CHOICES = tuple(UNITS)
