"""Drivers of real devices: each satisfies Protocols of ``harness.devices`` and nothing more.

A device's library is imported when the bench asks for the device, in one file each.
"""
