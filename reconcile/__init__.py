"""Reconciliation of pending and posted monthly plan draws, per student and to the cent."""

__version__ = "0.1.0"
