"""MQTT or HTTP -> decode -> store -> acknowledge."""
