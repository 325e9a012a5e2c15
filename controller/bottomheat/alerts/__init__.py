"""Telling somebody: which messages are due, and what still has to go where.  Pure.

``answer`` checks what the service says of its alarms, ``schedule`` makes messages of it, ``words``
writes them, ``outbox`` keeps each one until every channel has taken it.
"""
