"""Measurements by MQTT: topics are read after rules, messages are stored in batches and acknowledged afterwards."""
