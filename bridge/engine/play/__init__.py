"""What is played besides notes: tables to switch to, controls, drones, and the notes that are owed an end.

`performance` brings `tables`, `controls` and an engine together; `owed` keeps what a synth was really sent; `drones`
sound beside the keyboard.
"""
