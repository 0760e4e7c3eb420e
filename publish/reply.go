package publish

import (
	"strconv"

	"chaffinch/detect/advise/count"
)

// Reply is what an input came to.
type Reply struct {
	Text   string        // what was made of a check, in a sentence; else empty
	Ground *count.Result // of a ground count; else nil
}

// Append appends the reply as a JSON object. What is not known is null.
func (r Reply) Append(dst []byte) []byte {
	dst = append(dst, `{"text":`...)
	dst = appendStringOrNull(dst, r.Text)
	dst = append(dst, `,"ground":`...)
	if r.Ground == nil {
		return append(dst, `null}`...)
	}
	return append(appendGround(dst, r.Ground), '}')
}

func appendGround(dst []byte, g *count.Result) []byte {
	for i, part := range []struct {
		name string
		p    *count.Part
	}{{"pre_harvest", &g.PreHarvest}, {"header", &g.Header}, {"machine", &g.Machine}, {"harvest", &g.Harvest}, {"total", &g.Total}} {
		if i == 0 {
			dst = append(dst, `{"`...)
		} else {
			dst = append(dst, `,"`...)
		}
		dst = append(dst, part.name...)
		dst = append(dst, `":`...)
		dst = appendPart(dst, part.p)
	}
	dst = append(dst, `,"concentration":`...)
	dst = appendNumber(dst, g.Concentration, 2)
	dst = append(dst, `,"patchy":`...)
	dst = appendNumber(dst, g.Patchy, 2)
	dst = append(dst, `,"enough":`...)
	dst = strconv.AppendBool(dst, g.Enough)
	return append(dst, '}')
}

// appendPart appends the loss of one origin, with the standard errors of
// counting, or null where it was not counted. Shares and money are null where
// what they need is not known.
func appendPart(dst []byte, p *count.Part) []byte {
	if !p.Known {
		return append(dst, null...)
	}
	number := func(name string, v float64, decimals int, known bool) {
		dst = append(dst, name...)
		if known {
			dst = appendNumber(dst, v, decimals)
		} else {
			dst = append(dst, null...)
		}
	}
	number(`{"kg_ha":`, p.KgHa, 1, true)
	number(`,"se_kg_ha":`, p.SE, 1, true)
	number(`,"pct":`, p.Pct, 2, p.PctSE != 0)
	number(`,"se_pct":`, p.PctSE, 2, p.PctSE != 0)
	number(`,"money_per_ha":`, p.PerHa, 2, p.PerHa != 0)
	number(`,"money_per_h":`, p.PerHour, 2, p.PerHour != 0)
	dst = append(dst, `,"kernels":`...)
	dst = strconv.AppendInt(dst, int64(p.Kernels), 10)
	dst = append(dst, `,"enough":`...)
	dst = strconv.AppendBool(dst, p.Enough)
	return append(dst, '}')
}
