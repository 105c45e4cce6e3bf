package notify

import "math"

var nan, inf = math.NaN(), math.Inf(1)
