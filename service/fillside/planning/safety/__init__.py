"""Electrical load, heat, flicker, and checklists for a shoot."""
