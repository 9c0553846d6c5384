"""Playing live: a keyboard or a MIDI file in, a synth or the sound card in tune out.

Processes and threads
---------------------
- The *player* (`bridge.live.player`) is a process of its own: ports, engine, backing and time. Messages are answered in
  the thread in which a port delivers them; a second thread keeps time. Nothing in it waits for a terminal.
- The *desk* (`bridge.live.desk`) is the process that the musician started: it reads keys and signals, and replaces the
  player if that does not answer: a message to a dead JACK server hangs a process for good. What it shows is drawn in a
  thread of its own. If the desk itself dies, the player notices and leaves cleanly.
- The *sound card* (`bridge.live.player.sound_process`) is a process under the player, where it plays: PortAudio and the
  MIDI of JACK hang in one process. If it ends, a port is lost and comes back; if the player ends, it fades out.
- What was sent and may hang stands in a file in memory (`bridge.live.player.journal`), so that whoever comes next can
  silence it.

From what was asked for (`prepare`) comes a `plan`; desk and player speak in `frames`, and `piped` is the pair of pipes
between them; the player tells its `state`, of which the desk makes the one `snapshot` that all show. `backing` is
a MIDI file made ready, `track` the same as it plays, and `parts` says who plays in it.
"""
