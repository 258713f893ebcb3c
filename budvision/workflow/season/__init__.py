"""The season as a whole: `make` it, `change` its settings, say its `status`
and its `health`, `remind` of a backup, `check` it, `demo`; `block_table` adds blocks from a
table and takes them back.

`settled` tells what people write by hand and no seal covers.
"""
