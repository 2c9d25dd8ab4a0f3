"""Sound as evidence: what a telephone under the bonnet can show.

`stream` reads files in blocks; `bands` makes of them two slow signals, whatever the length;
`firing` follows the firing of an engine in the lower one, `orders` says how sure its octave is;
`varies` asks whether one cycle differs from the next, `gaps` whether something is gone; `speed` and
`real` say together what it is. `ticks` finds clicks in the upper one. `importers/sound` puts them
together into a recording.
"""
