"""Compares ways to plan the drying week on random weeks: `python -m benchmarks.week_solver`."""
