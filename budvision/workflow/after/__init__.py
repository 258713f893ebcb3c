"""The season after: shoots, crop, thinning and balance, and the cold record.

`records` keeps measurements, `season_after` answers from them, `crop` and `crop_tables` answer
without a season, `cold` reads a station's file, `station` keeps it in the season. `wood` keeps
cuts into canes, cordons and trunks.
"""
