"""Signals, recordings and logs whose truth is known by construction; nothing of harness in them."""
