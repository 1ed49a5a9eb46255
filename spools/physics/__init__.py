"""Moisture of wound filament: plain functions and small frozen dataclasses over arrays.

No Django, no clock, no database. SI units; relative humidity 0..1; water content in kg per kg of dry polymer.
"""
