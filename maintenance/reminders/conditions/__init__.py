"""The conditions that keep reminders open, a module a subject. Each checks the facts; none stores anything."""
