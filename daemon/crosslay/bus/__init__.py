"""MQTT: topics, messages, link and pump."""
