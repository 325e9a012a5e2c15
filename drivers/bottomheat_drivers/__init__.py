"""What touches the outside: probes, relay lines, files, clocks and sockets."""
