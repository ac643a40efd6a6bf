"""The repeater bench: record, measure and judge small FM repeaters on software-defined radio."""

__version__ = "0.1.0"

__all__ = ["__version__"]
