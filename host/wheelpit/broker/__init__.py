"""The configuration of a site's MQTT broker: who may connect, and what each may say."""
