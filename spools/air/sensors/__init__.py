"""Sensors that send by themselves: their values become readings of the places for which they speak."""
