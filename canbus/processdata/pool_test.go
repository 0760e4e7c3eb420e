package processdata

import (
	"bytes"
	"encoding/binary"
	"strings"
	"testing"
)

// builder writes objects by the layouts of ISO 11783-10.
type builder struct{ bytes.Buffer }

func (b *builder) text(s string) { b.WriteByte(byte(len(s))); b.WriteString(s) }
func (b *builder) u16(v int)     { b.Write(binary.LittleEndian.AppendUint16(nil, uint16(v))) }
func (b *builder) i32(v int)     { b.Write(binary.LittleEndian.AppendUint32(nil, uint32(int32(v)))) }

func (b *builder) device(id int, extended string) {
	b.WriteString("DVC")
	b.u16(id)
	b.text("Harvester")
	b.text("1.0")
	b.Write([]byte{1, 0, 0, 0, 0, 0x81, 0x0E, 0xA0})
	b.text("SN1")
	b.WriteString("LABEL77")
	b.Write([]byte{'e', 'n', 0x50, 4, 0x5A, 4, 0xFF})
	if extended != "" {
		b.text(extended)
	}
}

func (b *builder) element(id int, kind ElementType, number, parent int, children ...int) {
	b.WriteString("DET")
	b.u16(id)
	b.WriteByte(byte(kind))
	b.text("e")
	b.u16(number)
	b.u16(parent)
	b.u16(len(children))
	for _, c := range children {
		b.u16(c)
	}
}

func (b *builder) property(id, ddi, value int) {
	b.WriteString("DPT")
	b.u16(id)
	b.u16(ddi)
	b.i32(value)
	b.text("p")
	b.u16(NoPresentation)
}

func (b *builder) data(id, ddi int) {
	b.WriteString("DPD")
	b.u16(id)
	b.u16(ddi)
	b.Write([]byte{1, 8})
	b.text("d")
	b.u16(NoPresentation)
}

func parsed(t *testing.T, b *builder) Pool {
	t.Helper()
	p, err := ParsePool(b.Bytes())
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestDeviceWithAndWithoutExtendedLabel(t *testing.T) {
	for _, extended := range []string{"", "EXT", strings.Repeat("x", 32)} {
		var b builder
		b.device(0, extended)
		b.element(1, DeviceElement, 0, 0)
		p := parsed(t, &b)
		if len(p.Devices) != 1 || len(p.Elements) != 1 || string(p.Devices[0].ExtendedLabel) != extended {
			t.Errorf("%q: %+v", extended, p)
		}
		if n, ok := p.Name(); !ok || n.FunctionWords() != "header control" {
			t.Errorf("NAME %x: %q", uint64(n), n.FunctionWords())
		}
		if l, ok := p.StructureLabel(); !ok || string(l[:]) != "LABEL77" {
			t.Errorf("label %q", l)
		}
	}
	// A length above 32 is no extended label.
	var b builder
	b.device(0, strings.Repeat("x", 33))
	if _, err := ParsePool(b.Bytes()); err == nil {
		t.Error("an extended label of 33 bytes is taken")
	}
}

func TestHeaderWidth(t *testing.T) {
	kind := func(function, subtype int) int { return subtype<<16 | function }
	tests := []struct {
		name  string
		build func(*builder)
		mm    int32
		ok    bool
	}{
		{"header function among others", func(b *builder) {
			b.element(1, FunctionElement, 1, 0, 10, 11)
			b.property(10, FunctionOrTechnique, kind(int(SensorFunction), 1))
			b.property(11, ActualWorkingWidth, 500)
			b.element(2, FunctionElement, 2, 0, 12, 13)
			b.property(12, FunctionOrTechnique, kind(int(HeaderFunction), 2))
			b.property(13, ActualWorkingWidth, 9150)
		}, 9150, true},
		{"maximum width where there is no actual one", func(b *builder) {
			b.element(1, FunctionElement, 1, 0, 10)
			b.property(10, MaximumWorkingWidth, 7600)
		}, 7600, true},
		{"sections add up", func(b *builder) {
			for i := range 6 {
				b.element(1+i, SectionElement, 3+i, 0, 20+i)
				b.property(20+i, ActualWorkingWidth, 750)
			}
		}, 4500, true},
		{"a section without a width", func(b *builder) {
			b.element(1, SectionElement, 3, 0, 20)
			b.property(20, ActualWorkingWidth, 750)
			b.element(2, SectionElement, 4, 0)
		}, 0, false},
		{"two functions with a width and no kind", func(b *builder) {
			b.element(1, FunctionElement, 1, 0, 10)
			b.property(10, ActualWorkingWidth, 3000)
			b.element(2, FunctionElement, 2, 0, 11)
			b.property(11, ActualWorkingWidth, 6000)
		}, 0, false},
		{"zero is no width", func(b *builder) {
			b.element(1, FunctionElement, 1, 0, 10)
			b.property(10, ActualWorkingWidth, 0)
		}, 0, false},
		{"only as a value to ask for", func(b *builder) {
			b.element(1, FunctionElement, 1, 0, 10)
			b.data(10, ActualWorkingWidth)
		}, 0, false},
	}
	for _, c := range tests {
		var b builder
		b.device(0, "")
		c.build(&b)
		p := parsed(t, &b)
		if mm, ok := p.HeaderWidth(); mm != c.mm || ok != c.ok {
			t.Errorf("%s: %d %v, want %d %v", c.name, mm, ok, c.mm, c.ok)
		}
	}
}

func TestRotorIsRevolutionsOfASeparator(t *testing.T) {
	var b builder
	b.device(0, "")
	b.element(1, FunctionElement, 4, 0, 10, 11) // revolutions of an auger
	b.property(10, FunctionOrTechnique, int(AugerFunction))
	b.data(11, ActualRevolutions)
	b.element(2, FunctionElement, 7, 0, 12, 13)
	b.property(12, FunctionOrTechnique, int(SeparatorFunction))
	b.data(13, ActualRevolutions)
	p := parsed(t, &b)
	if n, ok := p.Rotor(); !ok || n != 7 {
		t.Errorf("rotor is element %d (%v), want 7", n, ok)
	}
}

func TestPoolErrorsSayWhere(t *testing.T) {
	var b builder
	b.device(0, "")
	whole := b.Bytes()
	b.element(1, DeviceElement, 0, 0, 1, 2, 3)
	all := b.Bytes()
	for n := len(whole) + 1; n < len(all); n++ {
		p, err := ParsePool(all[:n])
		if err == nil {
			t.Errorf("%d of %d bytes are taken for a pool", n, len(all))
		}
		if len(p.Devices) > 1 || len(p.Elements) > 0 {
			t.Errorf("%d bytes: half an object is kept", n)
		}
	}
	_, err := ParsePool(append(append([]byte(nil), whole...), "XXX123"...))
	if err == nil {
		t.Error("an unknown object is taken")
	}
	if _, err := ParsePool(make([]byte, maxPoolBytes+1)); err == nil {
		t.Error("no limit of size")
	}
	if _, err := ParsePool(bytes.Repeat([]byte("DVP\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00"), maxPoolObjects+1)); err == nil {
		t.Error("no limit of objects")
	}
}

func TestTransferCarriesAPool(t *testing.T) {
	if b, ok := PoolOf([]byte{0x61, 'D', 'V', 'C'}); !ok || string(b) != "DVC" {
		t.Errorf("%q %v", b, ok)
	}
	for _, other := range [][]byte{{0x11, 0, 0}, {0x63, 0, 0}, {0x61}, nil} {
		if _, ok := PoolOf(other); ok {
			t.Errorf("% X is taken for a pool", other)
		}
	}
}

// Factors from the units alone: 1 mg/s is 3.6e-6 t/h and so on.
func TestConversions(t *testing.T) {
	for _, c := range []struct {
		ddi  uint16
		raw  int32
		want float64
		unit string
	}{
		{MassFlow, 1_000_000_000, 3600, "t/h"}, {84, 100_000, 1, "t/ha"}, {86, 1000, 3.6, "m3/h"},
		{FuelPerTime, 10_000, 36, "L/h"}, {151, 10_000_000, 3.6, "ha/h"}, {CropMoisture, 140_000, 14, "%"},
		{SeparationFanSpeed, 15_000, 900, "rpm"}, {192, 293_150, 20, "Cel"}, {116, 10_000, 1, "ha"},
		{ActualSpeed, 2500, 9, "km/h"}, {ActualEngineSpeed, 20_000_000, 2000, "rpm"}, {ActualEngineTorque, 85_000, 85, "%"},
		{ActualWorkingWidth, 9150, 9150, "mm"},
	} {
		e, ok := Lookup(c.ddi)
		if !ok {
			t.Errorf("DDI %d is not in the table", c.ddi)
			continue
		}
		if v, unit := e.Convert(c.raw); v < c.want-1e-9 || v > c.want+1e-9 || unit != c.unit {
			t.Errorf("DDI %d: %v %s, want %v %s", c.ddi, v, unit, c.want, c.unit)
		}
	}
	for i, e := range dictionary {
		if i > 0 && e.DDI <= dictionary[i-1].DDI {
			t.Errorf("DDI %d is out of order", e.DDI)
		}
		if e.Name == "" || e.Resolution <= 0 {
			t.Errorf("%+v", e)
		}
	}
	// Numbers that do not exist or mean something else (bus reference).
	for _, ddi := range []uint16{152, 487, 527, 0} {
		if e, ok := Lookup(ddi); ok {
			t.Errorf("DDI %d is called %s", ddi, e.Name)
		}
	}
	if !Proprietary(57344) || !Proprietary(65534) || Proprietary(57343) {
		t.Error("the proprietary range is 57344 to 65534")
	}
}

func FuzzParsePool(f *testing.F) {
	var b builder
	b.device(0, "EXT")
	b.element(1, FunctionElement, 1, 0, 10, 11)
	b.property(10, FunctionOrTechnique, 3)
	b.data(11, ActualRevolutions)
	f.Add(b.Bytes())
	f.Add([]byte("DPT\x12\x03\x43\x00\xee\x08\x00\x00\x05Width\x3d\x04"))
	f.Add([]byte("DET\x05\x00\x06\x09Connector\x01\x00\x01\x00\xff\xff\x06\x00"))
	f.Fuzz(func(t *testing.T, b []byte) {
		p, _ := ParsePool(b)
		if mm, ok := p.HeaderWidth(); ok && mm <= 0 {
			t.Fatalf("header of %d mm", mm)
		}
		p.Rotor()
		p.WidthElements()
		p.Name()
	})
}
