"""Published rule-sets, CCSS scores, controls and segments: readers of dated data, with no opinion of their own."""
