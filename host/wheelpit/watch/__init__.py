"""Watches what the nodes say: alarms, each once from onset to clearing, and the telling of people."""
