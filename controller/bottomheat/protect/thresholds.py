"""Every threshold of the detectors in one place, each with its reason.

Times in s, temperatures °C, differences K, shares 0...1.  "Calculated" means: on chamber models
with handbook properties, twelve boxes deep and shallow, a third to three times the usual gain,
probe noise 0 to 0.1 K; nobody has measured a box.
"""

from __future__ import annotations

from typing import Final

# The mat's lead over the wet layer.

LEAD_QUICK_S: Final = 240.0
LEAD_SLOW_S: Final = 2000.0
LEAD_QUICK_SHARE: Final = 0.35
"""Shape of the lead after a step of full power; fits twelve boxes within 15 % (calculated)."""

LEAD_K_PER_W: Final = 0.53
"""Lead at full power by rated watts: 1.24 - 0.71 K/W on the nominal box (calculated)."""

SLEEVE_S: Final = 40.0
"""Lag of a probe in a steel sleeve in damp medium (judgement)."""

RIPPLE_BASE_S: Final = 1500.0
RIPPLE_MEMORY_S: Final = 900.0
"""What is slower than 25 min is no ripple; a quarter of an hour is remembered, one and a half
windows of 10 min, so that a mat that has stopped answering is seen within two windows."""

RIPPLE_AFTER_SWITCH_S: Final = 1200.0
"""So long after a switch only the tail is left, whose shape differs from box to box."""

RIPPLE_FIRST: Final = 3.0
"""Expected ripple squared and summed, s, for a first gain: one full heating-up of ten minutes, or
three windows at half power."""

PRIOR_SPAN: Final = 3.0
"""Until it is learned, a gain may be a third of what the rating makes likely, or three times."""

ANSWERS: Final = 0.4
"""Share of the learned answer below which the mat does not answer.  Healthy boxes stay between 0.77
and 1.27, a third of the heat lost stays above 0.5, and no heat at all gives 0 (calculated)."""

WEAK: Final = 0.65
WEAK_LEAD_SHARE: Final = 0.8
WEAK_S: Final = 900.0
"""A mat that answers with less than two thirds of what it gave, with less than four fifths of the
lead that its heat explains, for a quarter of an hour: part of it is dead."""

CARRIED_K: Final = 1.0
"""More than this left of the lead that a run began with, which dies away in another shape on every
box, and an answer that is merely small tells nothing (calculated)."""

MUTE_S: Final = 180.0
"""So long without an answer, with the ripple clear of the noise, before it is looked into."""

SIGMAS: Final = 4.0
LEAD_NOISE_K: Final = 0.15
"""Two probes of 0.1 K noise each; an answer counts only where 4 standard deviations tell."""

GAIN_MEMORY_S: Final = 12 * 3600.0
"""Gains follow a layer that dries within half a day, and not a fault within an hour."""

ANCHOR_S: Final = 12 * 3600.0
ANCHOR_SHARE: Final = 1.25
"""After half a day of learning a gain is held to within a quarter of where it was, in the
direction that would let a probe creep out unseen: a longer lead, a smaller rise.  Drying and
draught lie inside that, a probe half out (1.7 and 0.57) does not (calculated).  Filling or moving
begins anew."""

LEVEL_LEARNS_FROM: Final = 0.05
LEVEL_FIRST: Final = 600.0
"""Level of the lead is learned from 5 % of full power up, after half an hour of heating up."""

LOOK_S: Final = 600.0
LOOK_AGAIN_S: Final = 3600.0
STUCK_STAYS: Final = 0.1
"""A look: heat off for 10 min.  A healthy mat gives up half its lead in that time, a dead one a
quarter of what is left, a welded one nothing.  Not more often than once an hour."""

BARE_K: Final = 1.5
BARE_SHARE: Final = 0.45
"""Less than half of the lead that the heat explains, where that is more than the probes' errors."""

STUCK_LEAD_SHARE: Final = 0.25
STUCK_LEAD_K: Final = 2.5
"""Lead that is left in the look of a welded contact; with no heat it is gone."""

STUCK_RISE_SHARE: Final = 0.12
STUCK_RISE_K: Final = 2.0
STUCK_OFF_S: Final = 300.0
STUCK_BLIND_S: Final = 90.0
"""Rise of the mat *and* of its lead, with heat off for 5 min and more, since 90 s after the contact
opened (a probe's lag).  Sun, a warm shed or warm water lift the layer with the mat or before it."""

STUCK_LONG_S: Final = 3600.0
STUCK_ABOVE_ROOM_K: Final = 8.0
"""Heat off for an hour, and the mat has lost less than a tenth of the lead that it had: a healthy
one has lost more than half (calculated, a jacketed box with its probe displaced: 19 of 29 K).
Without a wet layer to compare with, the mat warms by itself well above the room."""

CROSSED_S: Final = 3600.0
"""A weld and a missing lead within an hour are one mistake at the plugs."""

NO_LEAD_SHARE: Final = 0.35
NO_LEAD_S: Final = 600.0
NO_LEAD_FROM: Final = 0.3
"""Lead that is missing with the heat on: healthy boxes stay within 0.14 of full lead
(calculated)."""

# The wet layer.

LAYER_DEAD_S: Final = 900.0
LAYER_QUICK_S: Final = 1.7 * 3600.0
LAYER_SLOW_S: Final = 7.5 * 3600.0
LAYER_QUICK_SHARE: Final = 0.3
LAYER_K_PER_W: Final = 0.71
"""Response of the layer to a step of full power: dead time, two lags, rise by rated watts; middle
of twelve boxes (calculated)."""

LAYER_LEARNS_FROM: Final = 0.05
FULL_MEMORY_S: Final = 86_400.0
FULL_FIRST: Final = 300.0
PATH_MINUTES: Final = 60

DROP_K: Final = 1.0
DROP_ITSELF_K: Final = 0.6
DROP_BLIND_K: Final = 1.5
DROP_MINUTES: Final = 10
"""Fall beyond what heat and room explain, in 10 min.  Healthy: 0.5 K with 0.1 K of noise."""

SETTLED_K: Final = 2.0
DISTURBED_S: Final = 90 * 60.0
"""After a drop the detectors that it fools wait: cold bags leave the lead 3 K off after 90 min."""

GAP_S: Final = 60.0
UNHEARD_S: Final = 30 * 60.0
"""So long after the keeper was silent, or after a minute in which no cycle ran, it is not known
how much heat is in the mat."""

DISPLACED_LOOK_S: Final = 40 * 60.0
DISPLACED_STAYS: Final = 0.8
DISPLACED_JUMP_K: Final = 2.0
"""Forty minutes after a drop the mat has followed cold bags or water by a third of the jump and
more; a displaced probe is about as far off as at first (calculated: 0.75 at most against 0.87)."""

DISPLACED_K: Final = 3.5
DISPLACED_SHARE: Final = 0.2
DISPLACED_HEAT: Final = 0.25
DISPLACED_S: Final = 30 * 60.0
"""A lead that is too long for half an hour, by more than wetting and drying make it: 3.5 K, and a
fifth of the lead that the heat in the mat explains, or would at a quarter of full power."""

ROOM_TOUCH_K: Final = 1.0
ROOM_APART_K: Final = 3.0
ROOM_TOUCH_S: Final = 20 * 60.0
"""A layer that reads the room's temperature, where it should be 3 K above, has a probe in the
air."""

UNASKED_K: Final = 0.8
"""Lead too long and a layer that warms in an hour by so much beyond its heat: the mat is fed
without being asked, in part at least, as by a solid-state relay that fails on one half-wave."""

BACK_K: Final = 2.0
BACK_SHARE: Final = 0.3
"""Without a mat probe a displaced layer probe is back when it has jumped up again by so much."""

TENDED_LONG_S: Final = 45 * 60.0
"""After so long of tending a missing lead counts all the same."""

BLIND_S: Final = 2 * 3600.0
"""Without a mat probe, a layer at the room's temperature counts only so long after its probe was
doubted for a jump."""

RECOVERS_SHARE: Final = 0.05
TOUCH_RECOVERS_SHARE: Final = 0.15
RECOVERS_S: Final = 60 * 60.0
"""Without a mat probe: an hour after a drop, a bed has come back by more than a twentieth of it;
by a seventh, where it now reads what the room reads."""

RESPONSE_K: Final = 1.5
RESPONSE_SHARE: Final = 0.25
"""Without a mat probe: the layer should have risen by 1.5 K in an hour and has not by a quarter."""

WARM_RISE_K: Final = 1.0
"""Without a mat probe: rise in an hour with heat off, beyond the model, that wants a person."""

DOUBTED_S: Final = 12 * 3600.0
"""What a displaced probe said is in doubt since it last agreed with the mat, and no longer than
the gains take to follow, or the model had been wrong (judgement)."""

AGREES_K: Final = 1.5
AGREES_S: Final = 30 * 60.0
PROBATION_S: Final = 60 * 60.0
PROBATION_SHARE: Final = 0.5
AGAIN_S: Final = 24 * 3600.0
"""A displaced probe that agrees for half an hour is tried for an hour at half the duty that the
model gives; displaced again within a day it latches."""

# Probes that stand still.

STILL_S: Final = 40 * 60.0
STILL_RANGE_K: Final = 1.0
STILL_UNLEARNED: Final = 3.0
"""Not one count of change while the model moves by sixteen: frozen.  Three times that while the
rise is not learned."""

WINDOW_S: Final = 2400.0
WINDOW_AGAIN_S: Final = 2 * 3600.0
WINDOW_JUDGED_S: Final = 60 * 60.0
WINDOW_RANGE_K: Final = 0.15
WINDOW_DUTY: Final = (0.03, 0.92)
"""Proving window: the same mean duty lumped over 40 min swings the layer by 0.15 to 0.6 K, and the
callus zone by less than 0.03 K (calculated).  Judged after its dead time."""

MAT_STILL_S: Final = 20 * 60.0
MAT_STILL_K: Final = 2.0
"""The mat moves by kelvins in every window."""

# Room.

ROOM_JUMP_K: Final = 4.0
ROOM_JUMP_MINUTES: Final = 20
ROOM_BACK_K: Final = 2.0
ROOM_HELD_S: Final = 6 * 3600.0
ROOM_TOLD_S: Final = 15 * 60.0
ROOM_FOLLOWS_SHARE: Final = 0.5
"""A shed does not warm by 4 K in 20 min of itself; sun on the probe, or the probe on the box,
does. A bed that warms in the next hour by half of what such a room would do to it bears the
reading out.  A fall is believed at once: a door that stands open asks for heat, and the limits
hold."""

ROOM_STILL_S: Final = 3 * 3600.0
ROOM_OTHERS_K: Final = 2.0
ROOM_IMPLIED_K: Final = 1.0
ROOM_LIVELY_S: Final = 1800.0
"""No count of change in three hours, while another chamber's room has moved by 2 K, or while the
layer has drifted by 1 K from what heat and such a room would make of it, if its counts came and
went within half an hour before."""

# A probe in the callus zone.

CALLUS_BIAS_S: Final = 12 * 3600.0
CALLUS_APART_K: Final = 3.0
CALLUS_APART_S: Final = 45 * 60.0
CALLUS_LEARNED_S: Final = 6 * 3600.0
"""Colder by so much than where it usually lies, against the temperature that wet layer and room
make likely, for 45 min: not where it was.  Its usual distance is learned over half a day, six
hours at least."""

CALLUS_OPENED_S: Final = 6 * 3600.0
"""So long after the box was opened cold bags are colder than wet layer and room make likely."""

CALLUS_FELT_K: Final = CALLUS_APART_K / 2.0
"""Nor is a callus probe blamed while what a start, or a wet layer that was not known for a time,
leaves open of the layer's past is more than half of that."""

CALLUS_STILL_S: Final = 2 * 3600.0
CALLUS_STILL_K: Final = 1.0
"""No count of change in two hours while that temperature moves by sixteen counts: frozen."""

# Duty and warmth.

DUTY_FACTOR: Final = 1.2
DUTY_BLIND_FACTOR: Final = 1.1
DUTY_EXTRA_K: Final = 1.5
DUTY_UNMEASURED: Final = 0.5
"""Bound of the duty where the answer of the bed is in doubt: what the setpoint needs in this room
by the model, with a fifth (a tenth, without a mat probe) and 1.5 K of the layer on top; half power
while there is no model."""

MEAN_DUTY_S: Final = 3 * 3600.0
"""Over three hours the mean duty is held to the same bound, unless the layer answers as the model
says: so a displaced probe that nobody has noticed cannot hold the mat at full power for long."""

FROST_C: Final = 5.0
FROST_ROOM_C: Final = 20.0
FROST_UNSURE: Final = 1.3
"""The frost guard keeps the layer a few degrees above freezing, and would be safe in such a
room."""

PROOF_EVERY_S: Final = 7 * 86_400.0
PROOF_S: Final = 300.0
PROOF_AGAIN_S: Final = 3600.0
PROOF_TELLS_S: Final = 120.0
PROOF_MARGIN_K: Final = 6.0
PROOF_COOLS_S: Final = 900.0
PROOF_OPEN: Final = 0.35
PROOF_STUCK: Final = 0.6
"""For five minutes a week the heat relay is closed and the series relay held open.  Through a
stuck contact the lead would grow by a third of its full value against what it does without heat:
below a third of that the relay opens, above three fifths it does not, and in between it is tried
again after an hour."""

SHORT_K: Final = 1.0
SHORT_S: Final = 2 * 3600.0
FULL_DUTY: Final = 0.97
FALLING_K: Final = 0.1
"""Heat at its bound for two hours, the callus zone a kelvin low and the layer still falling."""

LOST_S: Final = 900.0
LOST_BACK_K: Final = 0.5
LOST_AHEAD_S: Final = 6 * 3600.0
LOST_K: Final = 3.0
COOLS_S: Final = 9 * 3600.0
"""No heat for a quarter of an hour, and at the usual time constant of 9 h (calculated; 5.4 to 14
h) the zone is 3 K below its setpoint within six hours."""

WARM_K: Final = 1.0
WARM_STILL_K: Final = 0.6
WARM_S: Final = 3600.0
"""A kelvin above the setpoint after an hour without heat, and not falling."""
