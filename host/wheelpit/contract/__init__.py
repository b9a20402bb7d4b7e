"""The wire contract, version 1: names, topics, messages, and the documents made from them."""
