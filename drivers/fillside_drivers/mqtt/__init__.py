"""Bulbs that listen on topics of an MQTT broker."""
