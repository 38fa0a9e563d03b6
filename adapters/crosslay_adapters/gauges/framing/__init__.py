"""What gauges on a byte stream share: two codecs without I/O, checksums, heights, links, and the gauge around them."""
