"""Figures and paper, and the words and facts that pages, paper, tables and terminal share.

answer       A block's answer in words: worded and rounded once, for page, sheet, command line and
             tables
bench_paper  Paper for the vineyard and the bench: photo cards, walking sheet, cane tags, bench
             tally
bearing      What the buds that are left could bear, in words, and what counts for it
canvas       The sheet that figures are drawn on: size, style, bands behind, and the finished SVG
choices      What can be done after a bad winter, each way with its condition and its source
examples     Example photographs for paper: the cut face, square, with the outline of each tissue
facts        The one set of a block's facts, before they become words (`budvision.report.answer`)
figures      Figures of shares: intervals to scale, and shares by node or class
first        What must be said before any number: an edge inside the range, many buds nobody could
             judge
kept         What is said of the nodes that pruning keeps: as canes or spurs, and the fruit of the
             first
misread      What is known of readers' errors, and a share dead with them taken out
paper        Paper through typst: the only module that knows it. A template and its data become a
             PDF
readers      What second readings say of a block's share dead, in words: raw and corrected
sheet        The grower sheet: one page a block in plain words, on A4 or Letter, metric or US
spreadsheet  Results as CSV and XLSX; text that a spreadsheet would take for a formula is kept as
             text
summary      Paper over a whole program: all blocks on a few pages, and every bud's calls as an
             appendix
sure         How sure an answer is, in words: its range, its band, and what more buds would settle
timelines    Figures over time: shares by sampling date, and a station's temperatures
uncalled     That nobody has called a bud yet, said in one place
ways         The ways on after a bad winter that fit a block: by share dead, zones, wood, training
wood         What cuts into the wood say beside the buds, and how the advice changes by it
words        Numbers in plain words: shares, ranges, lists and days, the same on pages and paper
"""
