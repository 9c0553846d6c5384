"""From records to a document: what sheets say.

==========  =====================================
`sheets`    a session's first page, and its pieces
`table`     one table
`guitar`    how the guitar is tuned
==========  =====================================

Nothing is imported here, so that importing one module does not load the others.
"""
