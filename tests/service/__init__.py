"""The daemon as a service: its unit under a real systemd, in a container (``scripts/service-trial``)."""
