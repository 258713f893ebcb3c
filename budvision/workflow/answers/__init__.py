"""What the calls mean: mortality, band and nodes to retain, on page, paper, table and terminal.

`results` answers for a season, `summaries` holds its numbers of many blocks, `tally` answers for a
table without one, `answers` for one block with all that stands beside it, `comparison` for two,
`advise` for counted numbers; `sheet_facts` words one block for paper, `report` writes it,
`tables` writes CSV and workbooks.
`readers` says how often readers err, `waiting` what of a block still waits for a person,
`wood` what cuts into trunks, cordons and canes say.
"""
