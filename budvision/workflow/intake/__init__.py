"""Photographs come in: taken by manifest or name, sorted by cane tags, watched for, proposed for.

`intake` is the one door by which a photograph enters a season; `manifest` reads what says where it
belongs, `file_names` offers a pattern for names of people's own, `places` says what that comes to
before anything is taken in, `tray` keeps what pages are sent, `runs` and `sorting` find places out
from the tags in the pictures, `watch` does so as they are saved, `propose` asks the model in use;
`remarks` says what became of each and what to look at, `assignment` lays out those that have no
place yet, `undo` takes an intake back.
"""
