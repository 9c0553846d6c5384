"""What is played besides notes: tables to switch to, controls, drones, and the notes that are owed an end.

`performance` brings `tables`, `controls` and an engine together; `owed` keeps what a synth was really sent;
`held_drone` follows the tables under a keyboard, `drone` plays what a `drone_plan` says.
"""
