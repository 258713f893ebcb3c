"""From calls to the answer of a block, and the crop-load work of the season; no database, no page.

balance      Vine balance and canopy density against published bands
balanced     Nodes in a normal year: from the weight of prunings, from vine spacing; canes and
             spurs
breakdown    Mortality by node position, vine-size class, zone or cultivar, and blocks against
             each other
buds         The current calls of many buds as columns, so that thousands of blocks cost little
cold         A weather station's temperatures: event minimum and hours below thresholds
counts       How many vines to count for a mean that is sure enough
crop         Crop of the coming season: shoots, yield, thinning, vine balance, prediction against
             harvest
hardiness    Published lethal temperatures of dormant buds: background to a cold record, never a
             verdict
more_buds    What more cutting would buy: the interval to expect, and how many buds would settle a
             band
edges        Where a band is not sure: edges within the interval, what more buds would leave
mortality    Mortality of blocks, and the answer it leads to: band, nodes to retain, more buds
plan         Draw the vines of a sample: stratified by zone and vine size, spread along the rows
policies     Pruning policies: bands over the share of dead primary buds, each with an action
potential    Crop potential of a block: what the buds could bear, as a share of a full crop
pruning      Nodes to retain after winter injury: band rule, additive rule, exact compensation
remarks      What stands beside a block's numbers in words: what they rest on, what was left out
results      The answer for a block, as pages, paper and JSON read it
sample_plan  A sample plan: the block, the vines drawn, and what the sample can be expected to
             tell
sample_size  How many canes and nodes: what a sample of a size can tell, before it is cut
strata       Zones and vine sizes as strata: shares weighted by the block's own make-up
tissues      One tissue of every block of a table: counts, units, interval
training     What pruning keeps of a cane by the block's training system: spurs and canes
wood         Cuts into canes, cordons and trunks, and how much of their bark is dead
zones        Zones of a block, each by itself
units        Metric and US units: exact factors, quantities with their unit, vines on an area
"""
