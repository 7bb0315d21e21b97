"""Bulbs that listen on a topic of an MQTT broker."""
