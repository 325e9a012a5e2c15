"""Everything of bottomheat that touches the outside: probes, relay lines, files, clocks, sockets."""
