"""What these limits would have said: the watchdog over long recordings of one room or of many.

**What runs beside what.** A room is the smallest part that can be judged by itself. Its tanks share evidence
at every look, twice a minute: probes that fall silent together and heaters that stop together are one
`power-loss`; a tank without an air probe is judged by its neighbours' air and by how much they heat; a room
that nobody heats holds back the heater's rules; the room's time is made of all stamps; and no step of an
alarm bears a time before the step of another tank told earlier. What a tank learns depends on these answers,
and they depend on what the tanks have learned: no tank can run ahead of its neighbours, and no second pass
over results of lone tanks gives what one pass over the room gives. The watchdog's memory is a chain through
time too, so a year cannot be cut into months that run at once. So the unit of work is a room under one
configuration (`task.RoomTask`): it streams all tanks of the room in order of time within one process, and
rooms, and the two configurations of a comparison, run beside each other.

**Why the results are the same to the byte.** A unit shares nothing with another, and its readings come in one
order whatever holds them: by time, then tank, then channel by name, service marks last. That is the order in
which `tankwatch export` writes SenML, so plain `replay` of that file gives the same lines. Results are put in
the order of the rooms, whoever was ready first.

**Memory.** Readings stream in stretches (`stretch.py`) of some hundred thousand; only alarms are kept.
"""
