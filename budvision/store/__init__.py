"""The season on disk: its database, its photographs, and in `queries/` every question asked of it.

archive_key    The season's own secret: names the laboratory and makes pseudonyms that stay the
               same
backups        What a season's folder knows of its backups: when and where the last good one was
               made
claims         Who works on which photograph just now, so that two proposals at once do not do it
               twice
config         `budvision.toml` as a file: written whole, and for its owner's eyes where it holds a
               password
copying        Copy every row of a season into another season's empty database
counts         What stands in each sampling, counted anew with every write that touches it
engine         The season's database: opened for writing or, where nothing may be written, for
               reading
labels         Label arrays as PNG: one byte a pixel, nothing lost
names          Names that people give to sites, blocks, samplings, canes and vines, and to
               themselves
object_photos  Photographs in an object store or any other place that fsspec reaches, with a local
               cache
photos         Photographs by content: each file is named by its SHA-256 and never changed
remembered     What was worked out of rows, remembered by this process for as long as the rows are
               the same
seal           Tell whether rows were changed past the program: hashes kept with every write, read
               by `check`
session        A season folder: its settings, its database and its photographs
shared_models  A season's own models at every station of one database: their files lie beside the
               photographs
tables         The tables of a season. Every constraint has a name, so that migrations can speak
               of it
"""
