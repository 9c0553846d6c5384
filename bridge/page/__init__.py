"""What a browser is shown and may ask: a page for a music stand, a lesson, a student's screen.

It watches and asks, and nothing on it can slow a note: its server is a process of its own, which is fed with the newest
of what the desk shows anyway. That process may be killed, stuck or crowded; it is started again, under the same
address.

The way through
---------------
- In the process that plays: `host.Page` starts the server, hands on what is seen, and takes what is asked
  (`actions`, a closed list). `addresses` says where the page is, and draws it as a code to scan.
- Between the two: `frames`, typed, through a pair of pipes.
- In the server's process: `process` reads frames, `server` listens, `guard` lets in or refuses, `app` answers,
  `stream` sends the newest to every browser, `seen` turns it into what the page shows, `study` works out what can be
  read about a table.
- In the browser: `web/`, our own HTML, style and modules; all its words stand in `web/words.js`.
"""
