"""Alerts and learned figures for other programs.

MQTT topics and InfluxDB points. Nothing here reaches a controller.
"""
