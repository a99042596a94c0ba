"""The append-only session file, written by one thread, read back whatever happened.

`recorder` takes records from any thread (`record_queue`) and tells where it stands (`recorder_state`), one thread writes
through the seam `storage`; `resume` goes on with a session after a crash, in a new part. `session_file` reads with
`session_index` and says what is damaged; `recover` writes a clean copy.
"""
