"""The offset, measured: ledger of readings, pairing, regression, uncertainty.

``ledger`` is light and known to the daemon; everything that fits loads numpy and is for commands.
"""
