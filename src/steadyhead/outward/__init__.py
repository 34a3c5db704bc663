"""Alerts and learned figures for other programs.

MQTT topics, InfluxDB points and OPC UA conditions. Nothing here reaches a controller.
"""
