"""Every question asked of a season's database: the only place with SQL.

Each function takes a connection from `Season.read` or `Season.write` first. What it returns is
frozen; what it changes becomes visible when the caller's transaction ends.

backups    Backups that the stations of a season have made: any of them counts
blocks     Sites, blocks and samplings: finding them, and making those that are new
calls      Calls of named persons: saving, taking back, and which ones count
canes      Canes and their buds: finding them, and making those that are new
columns    The current calls of many buds as columns: one pass in SQL, one row a bud
crop       What was measured in the season after: counts, weights and harvest, append-only
insertion  Adding and changing one row, for the other modules of this package
jobs       Long work that was asked for: one queue in the database, for every station and the
           terminal
learning   What training reads: called tissues beside what models measured of them
marks      Marks on buds that are no calls: missing or blind node, skipped, cause seen at the
           bench
models     Models that have proposed in this season, and which one proposes now
overview   Counts over the whole season, and what the database says of its own health
people     Who works in a season: technicians, reviewers, leads
photos     Photographs, and which bud and cut each one shows
proposals  What models propose, and the regions they or people draw. Every version is kept
readings   The calls that count, with who made them and when: for sheets and appendices
review     What readers do with buds: blind calls, second readings, who has one open, where one
           stopped
rows       Whole rows, table by table, for the archive: streamed out, matched and put back in
states     How each bud of a sampling stands: read whole, or only where rows have come since
trust      What lets readers see proposals: decisions by subject, and the buds that they rest on
undoing    Taking calls back by new rows, so that what stood before stands again
walk       The canes and buds of one sampling, looked up in memory and made many at a time
weather    A station's temperatures: kept once, never overwritten
wood       Cuts into canes, cordons and trunks: what a person called of their bark
"""
