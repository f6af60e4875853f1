mod stats_reference;
