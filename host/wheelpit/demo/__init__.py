"""The demo: broker, twin, the real firmware, service and board, started together and ended together."""
