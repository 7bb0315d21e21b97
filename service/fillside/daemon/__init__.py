"""The daemon: composition root, reload, logs, and the service manager."""
