"""One live session joined in a fixed order.

`start` builds a station from what was asked for. What arrives is numbered and recorded (`record_gate`), decoded and
computed (`analysis.pipeline`), shown to the command queue (answers, effects), stored for the viewers (`store`), who
are told last. `pad_desk` and `trial_desk` run a pad sheet and a bench trial on it.
"""
