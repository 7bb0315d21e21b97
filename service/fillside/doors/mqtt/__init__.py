"""The MQTT door: orders, answers, state and meters over a broker, and the rig as a Homie device."""
