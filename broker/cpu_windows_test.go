package broker

import "time"

// cpuUsed is not known here: the ratio of the rates is.
func cpuUsed() time.Duration { return 0 }
