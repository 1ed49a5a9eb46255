"""Weeks of an invented shop, lived through the API and the public functions, with books of their own beside it."""
