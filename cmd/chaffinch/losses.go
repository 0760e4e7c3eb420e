package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"strconv"
	"strings"

	"chaffinch/detect/advise/count"
	"chaffinch/detect/machine"
	"chaffinch/internal/config"
	"chaffinch/internal/problem"

	"github.com/spf13/cobra"
)

// lossFlags are what the operator gives, in his units. A number that is not
// given is 0.
type lossFlags struct {
	places                           [4][]string // by count.Where
	cut, band, thousand, moisture    float64
	perBushel, bushel                float64
	yield, price, speed, target      float64
	crop, config, units, beforeCount string
	json                             bool
}

var placeFlags = [4]string{"standing", "header", "behind", "pan"} // by count.Where

func lossesVerb(s streams) *cobra.Command {
	var f lossFlags
	cmd := &cobra.Command{
		Use:   "losses",
		Short: "Work out losses from kernels counted on the ground",
		Long: `Losses turns kernels on the ground into kg/ha, a share of the crop, and money,
with the error of counting.

Stop in a typical stretch with chopper and spreader off, so that straw and chaff
lie in a band. Back up one machine length. Engine off, key out, everything still
before anybody gets down. Then count loose kernels and those in heads

  --standing  ahead in the standing crop: what has fallen by itself
  --header    where only the header has passed
  --behind    where the rear discharged, within the band

or, instead of --behind, catch what the rear drops in a pan that is let go from
under the machine (--pan), and count or weigh it cleaned. Each is KERNELS@AREA, or
GRAMSg@AREA, as often as there are places: three and more of a kind also tell
how patchy it is. AREA is in m2 (ft2 with --units us) or LENGTHxWIDTH in m (ft); a
length may have its unit: 30ftx4in.

If straw cannot be kept in a band, count all over the cut width and give that as
--band. At least a hundred kernels make a count worth comparing with another.`,
		Example: `  chaffinch losses --crop wheat --cut 9.1 --band 1.5 --standing 5@0.5 \
      --header 16@0.5 --behind 170@0.5 --yield 7.2 --price 210 --speed 5
  chaffinch losses --units us --crop canola --cut 30 --band 5 --pan 3g@1 \
      --yield 40 --price 12
  chaffinch losses --crop wheat --cut 9.1 --band 1.5 --pan 8.1g@0.3 --json > first.json
  chaffinch losses --crop wheat --cut 9.1 --band 1.5 --pan 4.4g@0.3 --before first.json`,
		RunE: func(cmd *cobra.Command, args []string) error { return lossesRun(s, f) },
	}
	flags := cmd.Flags()
	flags.StringArrayVar(&f.places[count.PreHarvest], "standing", nil, "kernels in the standing crop, KERNELS@AREA")
	flags.StringArrayVar(&f.places[count.Header], "header", nil, "... where only the header has passed")
	flags.StringArrayVar(&f.places[count.Behind], "behind", nil, "... behind the machine, in the band")
	flags.StringArrayVar(&f.places[count.Pan], "pan", nil, "... in a pan let go from under the machine")
	flags.Float64Var(&f.cut, "cut", 0, "width that is cut, m (ft)")
	flags.Float64Var(&f.band, "band", 0, "width of the band of straw and chaff behind, m (ft)")
	flags.StringVar(&f.crop, "crop", "", "crop, for kernel mass, bushel and target")
	flags.StringVar(&f.config, "config", "", "a chaffinch.toml, for crop, cut width and units")
	flags.Float64Var(&f.thousand, "thousand-kernel", 0, "mass of a thousand kernels, g; weighing your own is best")
	flags.Float64Var(&f.moisture, "kernel-moisture", 0, "moisture at which they were weighed, %; losses are then of standard moisture")
	flags.Float64Var(&f.perBushel, "per-bushel", 0, "instead: kernels on a square foot that are one bushel an acre")
	flags.Float64Var(&f.bushel, "bushel", 0, "pounds in a bushel; usually the crop's")
	flags.Float64Var(&f.yield, "yield", 0, "harvested, t/ha (bu/ac)")
	flags.Float64Var(&f.price, "price", 0, "of a tonne (a bushel)")
	flags.Float64Var(&f.speed, "speed", 0, "ground speed, km/h (mph), for money an hour")
	flags.Float64Var(&f.target, "target", 0, "loss that is acceptable, % of the crop; usually the crop's")
	flags.StringVar(&f.units, "units", "", `"metric" or "us"`)
	flags.StringVar(&f.beforeCount, "before", "", "an earlier count, from --json, to compare with")
	flags.BoolVar(&f.json, "json", false, "the result as JSON, in metric units")
	return cmd
}

func lossesRun(s streams, f lossFlags) error {
	q, err := f.question()
	if err != nil {
		return usageError{err}
	}
	result, err := q.Count.Loss()
	if err != nil {
		return usageError{err}
	}
	answer := newLossAnswer(q, &result)
	if f.beforeCount != "" {
		before, err := readLossAnswer(f.beforeCount)
		if err != nil {
			return err
		}
		answer.compare(before)
	}
	if f.json {
		e := json.NewEncoder(s.out)
		e.SetIndent("", "  ")
		return e.Encode(answer)
	}
	return answer.write(s.out, q.unit)
}

// question is a count in metric units, with what the answer is put against.
type question struct {
	count.Count
	crop      string
	targetPct float64 // 0 if there is none
	unit      lossUnits
}

// lossUnits are what one unit of the operator is in metric ones.
type lossUnits struct {
	us                         bool
	length, area, speed        float64 // m, m2, km/h
	lossKgHa, pricePerT, areaH float64 // kg/ha; prices of a tonne; ha
	lossName, landName         string
}

func metricUnits() lossUnits { return lossUnits{false, 1, 1, 1, 1, 1, 1, "kg/ha", "ha"} }

func usUnits(bushel float64) lossUnits {
	return lossUnits{true, count.Foot, count.SquareFt, count.MileKm, count.BushelKgHa(bushel), 1000 / (bushel * count.Pound), count.Acre, "bu/ac", "ac"}
}

// question turns flags into a count.
func (f *lossFlags) question() (q question, err error) {
	for _, n := range []struct {
		flag  string
		value float64
	}{{"cut", f.cut}, {"band", f.band}, {"thousand-kernel", f.thousand}, {"kernel-moisture", f.moisture}, {"per-bushel", f.perBushel},
		{"bushel", f.bushel}, {"yield", f.yield}, {"price", f.price}, {"speed", f.speed}, {"target", f.target}} {
		if !(n.value >= 0 && n.value < 1e7) {
			return q, &problem.Problem{What: fmt.Sprintf("--%s is %g", n.flag, n.value), Try: "give a number from 0 up"}
		}
	}
	crop, width, err := f.profile()
	if err != nil {
		return q, err
	}
	q.crop, q.targetPct = crop.Name, firstOf(f.target, float64(crop.LossTarget))
	bushel := firstOf(f.bushel, count.BushelPounds(crop.TestWeightKgHL))
	switch f.units {
	case "", "metric":
		q.unit = metricUnits()
	case "us":
		if bushel == 0 {
			return q, &problem.Problem{What: "it is not known how many pounds a bushel has", Try: "give --crop, or --bushel 60"}
		}
		q.unit = usUnits(bushel)
	default:
		return q, &problem.Problem{What: fmt.Sprintf("there are no units %q", f.units), Try: "give metric or us"}
	}
	if err := f.kernelMass(&q.Count, &crop, bushel); err != nil {
		return q, err
	}
	u := &q.unit
	q.CutWidthM, q.DischargeWidthM = firstOf(f.cut*u.length, width), f.band*u.length
	q.YieldTHa = f.yield
	if u.us {
		q.YieldTHa = f.yield * u.lossKgHa / 1000
	}
	q.PricePerT = f.price * u.pricePerT
	q.AreaRateHaH = count.AreaRate(q.CutWidthM, f.speed*u.speed, 1)
	for where, texts := range f.places {
		for _, text := range texts {
			p, err := parsePlace(text, u)
			if err != nil {
				return q, fmt.Errorf("--%s %s: %w", placeFlags[where], text, err)
			}
			p.Where = count.Where(where)
			q.Places = append(q.Places, p)
		}
	}
	if len(q.Places) == 0 {
		return q, &problem.Problem{What: "nothing was counted", Try: "give --standing, --header and --behind, or --pan, such as --behind 170@0.5"}
	}
	if len(f.places[count.Behind])+len(f.places[count.Pan]) > 0 {
		switch {
		case q.CutWidthM == 0:
			return q, &problem.Problem{What: "the width that is cut is not known", Try: "give --cut"}
		case q.DischargeWidthM == 0:
			return q, &problem.Problem{What: "it is not known how wide the straw and chaff lie behind", Try: "give --band; if they are spread, count all over the cut width and give that"}
		}
	}
	return q, nil
}

// profile is the crop, and the cut width if a configuration tells it.
func (f *lossFlags) profile() (crop machine.Crop, widthM float64, err error) {
	if f.config != "" {
		c, mistakes := config.Load(f.config)
		if len(mistakes) > 0 {
			return crop, 0, errors.Join(mistakes...)
		}
		if f.units == "" {
			f.units = string(c.Units.System)
		}
		if f.crop == "" {
			f.crop = c.Crop.Name
		}
		crop, err = c.CropNamed(f.crop)
		return crop, float64(c.Machine.CutWidth), err
	}
	if f.crop == "" {
		return crop, widthM, nil
	}
	crop, err = config.Profile(f.crop, "")
	return crop, widthM, err
}

// kernelMass is what the operator weighed, else what his counting rule implies,
// else the crop's.
func (f *lossFlags) kernelMass(c *count.Count, crop *machine.Crop, bushel float64) error {
	switch {
	case f.thousand > 0 && f.perBushel > 0:
		return &problem.Problem{What: "--thousand-kernel and --per-bushel say the same", Try: "give one of them"}
	case f.thousand > 0:
		c.ThousandKernelG = f.thousand
	case f.perBushel > 0 && bushel == 0:
		return &problem.Problem{What: "it is not known how many pounds a bushel has", Try: "give --crop, or --bushel 60"}
	case f.perBushel > 0:
		c.ThousandKernelG = count.ThousandKernelG(f.perBushel/count.SquareFt, count.BushelKgHa(bushel))
	case crop.ThousandKernelG > 0:
		c.ThousandKernelG = crop.ThousandKernelG
	default:
		return &problem.Problem{What: "the mass of the kernels is not known", Try: "give --crop wheat, or weigh a thousand kernels and give --thousand-kernel 38"}
	}
	if f.moisture == 0 {
		return nil
	}
	if f.thousand == 0 || crop.Moisture == 0 || f.moisture >= 60 {
		return &problem.Problem{What: "--kernel-moisture is for kernels that were weighed, of a crop with a standard moisture", Try: "give --thousand-kernel and --crop as well, and a moisture under 60 %"}
	}
	c.ThousandKernelG = count.AtMoisture(c.ThousandKernelG, f.moisture, float64(crop.Moisture))
	return nil
}

func firstOf(a, b float64) float64 {
	if a > 0 {
		return a
	}
	return b
}

// parsePlace reads KERNELS@AREA or GRAMSg@AREA.
func parsePlace(text string, u *lossUnits) (p count.Place, err error) {
	found, area, ok := strings.Cut(text, "@")
	if !ok {
		return p, &problem.Problem{What: "an area is missing", Try: "write kernels@area, such as 170@0.5"}
	}
	if grams, weighed := strings.CutSuffix(found, "g"); weighed {
		p.MassG, err = strconv.ParseFloat(grams, 64)
	} else {
		p.Kernels, err = strconv.Atoi(found)
	}
	if err != nil {
		return p, &problem.Problem{What: fmt.Sprintf("%q is no number of kernels and no mass", found), Try: "write 170, or 6.3g"}
	}
	p.AreaM2, err = parseArea(area, u)
	return p, err
}

// parseArea reads an area, or length by width; in the operator's units or those
// that stand with it.
func parseArea(text string, u *lossUnits) (m2 float64, err error) {
	wrong := &problem.Problem{What: fmt.Sprintf("%q is no area", text), Try: "write 0.5, 9.1x0.1 or 30ftx4in"}
	one, other, strip := strings.Cut(text, "x")
	if !strip {
		v, err := strconv.ParseFloat(text, 64)
		if err != nil {
			return 0, wrong
		}
		return v * u.area, nil
	}
	m2 = 1
	for _, side := range []string{one, other} {
		unit := u.length
		for _, known := range []struct {
			name string
			m    float64
		}{{"in", count.Inch}, {"ft", count.Foot}, {"cm", 0.01}, {"mm", 0.001}, {"m", 1}} {
			if bare, ok := strings.CutSuffix(side, known.name); ok {
				side, unit = bare, known.m
				break
			}
		}
		v, err := strconv.ParseFloat(side, 64)
		if err != nil || v <= 0 {
			return 0, wrong
		}
		m2 *= v * unit
	}
	return m2, nil
}

func readLossAnswer(path string) (*lossAnswer, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	var a lossAnswer
	if err := json.Unmarshal(text, &a); err != nil || a.Schema != lossSchema {
		return nil, &problem.Problem{What: path + " is no count", Try: "make one with chaffinch losses … --json", Err: err}
	}
	return &a, nil
}
