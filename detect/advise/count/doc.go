// Package count turns kernels counted on the ground, or caught in a pan, into
// loss: kg/ha, share of the crop, money, each with the error of counting.
//
// Start with loss.go. The steps are those that extension services teach
// (Hofman, How to estimate grain harvest losses, NDSU, 2003; Shay et al.,
// Univ. of Missouri G1280, 1993; Calculating harvesting losses, DPIRD Western
// Australia, 2018): count ahead in the standing crop, in the strip that only the
// header has passed, and where the rear discharged; the rear drops what it loses
// of the whole cut width on a narrow band, so that count is divided by the
// concentration.
//
// Numbers are metric; units.go has what US units are in them.
package count
