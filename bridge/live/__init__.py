"""Playing live: a keyboard in, a synth in tune out.

Processes and threads
---------------------
- The *player* (`child`, `player`) is a process of its own: ports, engine, track and time. Messages are answered in
  the thread in which a port delivers them; a second thread keeps time. Nothing in it waits for a terminal.
- The *desk* (`supervise`, `display`, `typed`) is the process that the musician started: it shows what happens, reads
  keys and signals, and replaces the player if that does not answer: a message to a dead JACK server hangs a process
  for good. If the desk itself dies, the player notices and leaves cleanly.
- What was sent and may hang stands in a file in memory (`journal`), so that whoever comes next can silence it.

Index: `plan` (what to play) · `prepare` (from a request to a plan) · `engines` · `player` · `outlet` · `journal` ·
`track` (a MIDI file in real time) · `checks` (one instrument on both sides, loops) · `child`, `frames` · `supervise`
· `display`, `typed`.
"""
