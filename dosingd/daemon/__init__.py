"""The daemon: the wiring, the control loop, signals, and what it tells systemd. No rule of dosing lives here.

Nothing is imported here, because `daemon.early` must run before anything slow is.
"""
