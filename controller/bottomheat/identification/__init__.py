"""How a box answers heat and room, from its log or an experiment.  Needs numpy and scipy."""
