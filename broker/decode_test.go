package broker

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// vectors are the worked packs of RFC 8428 sections 5.1.2 to 5.1.6 and the
// table of RFC 6901 section 5.
type vectors struct {
	SenML struct {
		Pack512      json.RawMessage `json:"pack_512_second"`
		Pack513      json.RawMessage `json:"pack_513"`
		Resolved514  []wantRecord    `json:"resolved_514"`
		Pack515      json.RawMessage `json:"pack_515"`
		Pack516      json.RawMessage `json:"pack_516"`
		Resolved516c []wantRecord    `json:"resolved_516_computed"`
	} `json:"senml"`
	Pointer struct {
		Document string   `json:"document"`
		Table    [][2]any `json:"table"`
	} `json:"json_pointer"`
}

type wantRecord struct {
	N, U string
	T, V float64
}

func loadVectors(t testing.TB) vectors {
	b, err := os.ReadFile("testdata/rfc_vectors.json")
	require.NoError(t, err)
	var v vectors
	require.NoError(t, json.Unmarshal(b, &v))
	return v
}

func TestSenMLResolvesTheRFCsOwnPacks(t *testing.T) {
	v := loadVectors(t)
	// Section 5.1.2 gives base time, unit and name; resolved as section 4.6 says.
	bt := 1.276020076001e+09
	want512 := []wantRecord{}
	for i := range 5 {
		want512 = append(want512, wantRecord{"urn:dev:ow:10e2073a0108006:current", "A", bt - 5 + float64(i), 1.2 + float64(i)/10})
	}
	want512 = append(want512, wantRecord{"urn:dev:ow:10e2073a0108006:voltage", "V", bt, 120.1},
		wantRecord{"urn:dev:ow:10e2073a0108006:current", "A", bt, 1.7})
	for _, c := range []struct {
		section string
		pack    json.RawMessage
		want    []wantRecord
	}{
		{"5.1.2", v.SenML.Pack512, want512},
		{"5.1.3, resolved in 5.1.4", v.SenML.Pack513, v.SenML.Resolved514},
		{"5.1.6", v.SenML.Pack516, v.SenML.Resolved516c},
		{"5.1.5, of which one record is a number", v.SenML.Pack515, []wantRecord{{"urn:dev:ow:10e2073a01080063:temp", "Cel", 0, 23.1}}},
	} {
		t.Run(c.section, func(t *testing.T) {
			got, err := resolveSenML(c.pack)
			require.NoError(t, err)
			require.NotEmpty(t, c.want)
			require.Len(t, got, len(c.want))
			for i, w := range c.want {
				require.Equal(t, w.N, got[i].name)
				require.Equal(t, w.U, got[i].unit)
				require.InDelta(t, w.V, got[i].v, 1e-9)
				if w.T == 0 {
					require.True(t, got[i].at.IsZero())
					require.Zero(t, got[i].ago)
				} else {
					require.InDelta(t, w.T, float64(got[i].at.UnixMicro())/1e6, 1e-6)
				}
			}
		})
	}
}

func TestPointerFollowsTheRFCsTable(t *testing.T) {
	v := loadVectors(t)
	var doc any
	require.NoError(t, json.Unmarshal([]byte(v.Pointer.Document), &doc))
	require.Len(t, v.Pointer.Table, 12)
	for _, row := range v.Pointer.Table {
		p := row[0].(string)
		require.NoError(t, checkPointer(p))
		got, _, ok := resolve(doc, p)
		require.True(t, ok, p)
		if p == "" {
			require.Equal(t, doc, got)
			continue
		}
		require.Equal(t, row[1], got, p)
	}
	// Section 4: ~01 is ~1, an index has no leading zero, - is no element.
	for _, p := range []string{"/foo/00", "/foo/01", "/foo/-", "/foo/2", "/foo/+1", "/foo/-1", "/foo/1e0", "/no", "/m~01n", "/foo/0/x", "//"} {
		require.NoError(t, checkPointer(p))
		_, _, ok := resolve(doc, p)
		require.False(t, ok, p)
	}
	got, _, ok := resolve(map[string]any{"~1": 7}, "/~01")
	require.True(t, ok)
	require.Equal(t, 7, got)
	for _, p := range []string{"foo", "/~", "/~2", "/a~"} {
		require.Error(t, checkPointer(p), p)
	}
}

// What is wrong with JSON is said in words for who programs a board in another
// language.
func TestJSONFaults(t *testing.T) {
	for payload, want := range map[string]string{
		`[512]`:                  `SenML record 1: it is a number: a record is an object, such as {"n":"light","v":512}`,
		`[{"n":1,"v":512}]`:      `SenML record 1: "n" is a number: send numbers as numbers and names as text`,
		`[{"n":"l","v":{}}]`:     `SenML record 1: "v" is an object: send numbers as numbers and names as text`,
		`[{"n":"l","v":"many"}]`: `SenML record 1: a number in it cannot be read: send numbers as numbers and names as text`,
		`[{"n":"l","v":true}]`:   `SenML record 1: "v" is true or false: send numbers as numbers and names as text`,
		`[{"n":"l","t":1e400}]`:  `SenML record 1, t: the value "1e400" is too large to be read`,
		`[{"n":"l"`:              `is not a SenML pack: it ends too early: a pack is `,
		`{"value":`:              `is not JSON: it ends too early`,
		`{"value":x}`:            `is not JSON: invalid character 'x' looking for beginning of value, at byte 10`,
	} {
		_, err := Decode([]byte(payload), DecodeOptions{})
		require.ErrorContains(t, err, want)
	}
	_, err := Decode([]byte(`{"n":"l"}`), DecodeOptions{Value: "senml:l"})
	require.ErrorContains(t, err, "is not a SenML pack: it is an object: a pack is a JSON array")
	for _, payload := range []string{`[512]`, `[[1]]`, `[null]`, `["x"]`, `[true]`, `[{"n":{}}]`, `[{"v":[]}]`, `[{"bs":}]`, `[{"vb":1}]`, `[{"v":1.5e}]`, `{}x`, `[`, `nul`} {
		if _, err := Decode([]byte(payload), DecodeOptions{}); err != nil {
			for _, leak := range []string{"Go ", "json:", "senmlRecord", "EOF", "RawMessage"} {
				require.NotContains(t, err.Error(), leak)
			}
		}
	}
}

func TestDecode(t *testing.T) {
	for _, c := range []struct {
		payload string
		opts    DecodeOptions
		want    float64
		volts   float64 // 0: none
		rssi    float64
	}{
		{payload: "512", want: 512},
		{payload: " 512\r\n", want: 512},
		{payload: "512\x00", want: 512},
		{payload: "\ufeff512", want: 512},
		{payload: "\ufeff {\"light\":512}", opts: DecodeOptions{Value: "/light"}, want: 512},
		{payload: "\ufeff[{\"n\":\"light\",\"v\":512}]", want: 512},
		{payload: `"512"`, want: 512},
		{payload: `" 512\n"`, want: 512},
		{payload: "-3.5e2", want: -350},
		{payload: "+0.5", want: 0.5},
		{payload: ".5", want: 0.5},
		{payload: "5.", want: 5},
		{payload: "0", want: 0},
		{payload: `{"value":512}`, want: 512},
		{payload: `{"value":"512"}`, want: 512},
		{payload: `{"value":512, "batt":3.71,"rssi":-67}`, opts: DecodeOptions{Battery: "/batt", RSSI: "/rssi"}, want: 512, volts: 3.71, rssi: -67},
		{payload: `{"light":{"raw":[1,2,3]}}`, opts: DecodeOptions{Value: "/light/raw/1"}, want: 2},
		{payload: `7`, opts: DecodeOptions{Value: ""}, want: 7},
		{payload: `{"light":9,"batt":null}`, opts: DecodeOptions{Value: "/light", Battery: "/none/deep"}, want: 9},
		{payload: `[{"n":"light","v":512}]`, want: 512},
		{payload: `[{"bn":"urn:dev:mac:0024befffe804ff1:","n":"light","v":512},{"n":"batt","u":"V","v":3.7},{"n":"rssi","u":"dBm","v":-70}]`,
			opts: DecodeOptions{Value: "senml:light", Battery: "senml:batt", RSSI: "senml:urn:dev:mac:0024befffe804ff1:rssi"}, want: 512, volts: 3.7, rssi: -70},
		{payload: `[{"n":"light","bv":500,"v":12}]`, want: 512},
		// What another sensor on the board gives, as printf and some libraries write it,
		// is no JSON.
		{payload: `{"light":512,"temp":nan,"hum":-NAN}`, opts: DecodeOptions{Value: "/light"}, want: 512},
		{payload: `{"light":512,"temp":[NaN,-Infinity,inf,ovf],"batt":3.71,"rssi":-67}`, opts: DecodeOptions{Value: "/light", Battery: "/batt", RSSI: "/rssi"}, want: 512, volts: 3.71, rssi: -67},
		{payload: `{"nan \" nan":nan,"value":512}`, want: 512},
		{payload: `{"temp":nan,"nan":"512"}`, opts: DecodeOptions{Value: "/nan"}, want: 512},
		{payload: `[{"n":"light","v":512},{"n":"temp","u":"Cel","v":nan}]`, want: 512},
		{payload: `[{"bn":"urn:dev:board","n":":light","v":512},{"n":":batt","v":3.7}]`, opts: DecodeOptions{Value: "senml::light"}, want: 512},
	} {
		t.Run(c.payload, func(t *testing.T) {
			require.NoError(t, CheckPlace(c.opts.Value))
			got, err := Decode([]byte(c.payload), c.opts)
			require.NoError(t, err)
			require.Len(t, got, 1)
			require.True(t, got[0].HasValue)
			require.Equal(t, c.want, got[0].Value)
			require.NoError(t, got[0].Warn)
			if c.volts == 0 {
				require.Nil(t, got[0].Battery)
			} else {
				require.Equal(t, c.volts, *got[0].Battery)
				require.Equal(t, c.rssi, *got[0].RSSI)
			}
		})
	}
}

func TestDecodeSaysWhatIsWrong(t *testing.T) {
	for _, c := range []struct {
		payload string
		value   string
		reason  Reason
		says    string
	}{
		{"", "", Empty, "empty"},
		{" \n", "", Empty, "empty"},
		{"on", "", NotNumber, `"on" is not a number`},
		{"12,5", "", NotNumber, "with a point, 12.5"},
		{"512 counts", "", NotNumber, "without a unit, 512"},
		{"98%", "", NotNumber, "without a unit, 98"},
		{"0x1F", "", NotNumber, "not a number"},
		{"1_000", "", NotNumber, "not a number"},
		{"+-5", "", NotNumber, "not a number"},
		{"1e", "", NotNumber, "not a number"},
		{"NaN", "", NaN, "NaN"},
		{"-nan", "", NaN, "NaN"},
		{"inf", "", Infinite, "infinite"},
		{"-Infinity", "", Infinite, "infinite"},
		{"1e400", "", TooHuge, "too large"},
		{"1000000001", "", TooHuge, "too large"},
		{"-2e9", "", TooHuge, "too large"},
		{`{"value":1e999}`, "", TooHuge, "too large"},
		{`{"value":NaN}`, "", NaN, "NaN"},
		{`{"light":-inf,"temp":nan}`, "/light", Infinite, "infinite"},
		{`{"light":nano,"temp":nan}`, "/light", BadJSON, "invalid character 'a'"},
		{`{"light":512,"temp":nan`, "/light", BadJSON, "is not JSON"},
		{`{"light":512,"temp":1nan}`, "/light", BadJSON, "is not JSON"},
		{`[{"n":"light","v":nan},{"n":"temp","v":21}]`, "senml:light", NoSuchPointer, "no numeric record"},
		{"\ufeff", "", Empty, "empty"},
		{"5\ufeff", "", NotNumber, "not a number"},
		{`"on"`, "", NotNumber, `"\"on\"" is not a number`},
		{`"512`, "", NotNumber, "not a number"},
		{`{"light":5}`, "", NoSuchPointer, `no "value": say where the number is, such as value = "/light"`},
		{`{"a/b":{"x":"5"},"on":true}`, "", NoSuchPointer, `such as value = "/a~1b/x"`},
		{`{"on":true}`, "", NoSuchPointer, `such as value = "/light"`},
		{`{"rssi":-67,"light":{"raw":[5]},"name":"tank"}`, "", NoSuchPointer, `it has numbers at "/light/raw/0", "/rssi"; say which is the lamp's, such as value = "/light/raw/0"`},
		{`{"light":{"raw":5},"rssi":-67}`, "/raw", NoSuchPointer, `it has numbers at "/light/raw", "/rssi"`},
		{`{"a":1,"b":2,"c":3,"d":4,"e":5,"f":6,"g":7}`, "/raw", NoSuchPointer, `it has numbers at "/a", "/b", "/c", "/d", "/e", ...`},
		{`[512,498]`, "", BadSenML, `say which number is the lamp's, such as value = "/0"`},
		{`{"light":5}`, "/lihgt", NoSuchPointer, `nothing at "/lihgt"`},
		{`{"light":5`, "/light", BadJSON, "not JSON"},
		{`{"light":5} x`, "/light", BadJSON, "something follows"},
		{`{"light":true}`, "/light", NotNumber, "true"},
		{`{"light":null}`, "/light", NotNumber, "null"},
		{`{"light":{}}`, "/light", NotNumber, "an object"},
		{`{"light":[]}`, "/light", NotNumber, "an array"},
		{`{"light":"bright"}`, "/light", NotNumber, `"bright" is not a number`},
		{`{"light":"NaN"}`, "/light", NaN, "NaN"},
		{`[]`, "", BadSenML, "empty"},
		{`[1]`, "", BadSenML, "record 1"},
		{`[{"n":"a","vs":"x"}]`, "", NotNumber, `with "v"`},
		{`[{"n":"a","v":1},{"n":"b","v":2}]`, "", Ambiguous, "senml:a"},
		{`[{"n":"a","u":"lon","v":1},{"n":"a","u":"lat","v":2}]`, "", Ambiguous, "several units"},
		{`[{"n":"a","v":1}]`, "senml:b", NoSuchPointer, `it has "a"`},
		{`[{"n":"a","v":1,"new_":1}]`, "", BadSenML, "must be understood"},
		{`[{"bver":11,"n":"a","v":1}]`, "", BadSenML, "version 11"},
		{`[{"n":"a","v":1,"vs":"x"}]`, "", BadSenML, "several values"},
		{`[{"v":1}]`, "", BadSenML, "no name"},
		{`[{"n":"_a","v":1}]`, "", BadSenML, "the name"},
		{`[{"n":"a b","v":1}]`, "", BadSenML, "the name"},
		{`[{"n":"a","v":1e200,"bv":1}]`, "", TooHuge, "too large"},
		{`[{"n":"a","v":1,"t":1e300}]`, "", BadSenML, "year 9999"},
		{`[{"n":"a","v":1,"t":-1e300}]`, "", BadSenML, "years back"},
		{`{"a":1}`, "senml:a", BadSenML, "not a SenML pack"},
		{strings.Repeat("1", MaxPayload+1), "", TooLong, "at most"},
		{"[" + strings.Repeat(`{"n":"a","v":1},`, maxRecords) + `{"n":"a","v":1}]`, "", TooLong, "at most 5000"},
	} {
		t.Run(fmt.Sprintf("%.40s at %s", c.payload, c.value), func(t *testing.T) {
			got, err := Decode([]byte(c.payload), DecodeOptions{Value: c.value})
			require.Error(t, err)
			require.Empty(t, got)
			require.Equal(t, c.reason, ReasonOf(err), err)
			require.ErrorContains(t, err, c.says)
			require.Less(t, len(err.Error()), 400)
		})
	}
	// Numbers are not looked for at any depth.
	_, err := Decode([]byte(strings.Repeat(`{"a":`, 9)+"1"+strings.Repeat("}", 9)), DecodeOptions{Value: "/raw"})
	require.ErrorContains(t, err, "what the board sends")
	require.NotContains(t, err.Error(), "numbers at")
	for _, p := range []string{"light", "senml:", "senml:a b", "/~", NoValue} {
		require.Error(t, CheckPlace(p), p)
	}
	require.ErrorContains(t, CheckPlace("$.light.raw"), `such as "/light/raw"`) // as JSONPath writes it
}

func TestDecodeTimesOfSenML(t *testing.T) {
	got, err := Decode([]byte(`[{"bn":"lamp","bt":-120,"v":1},{"t":60,"v":2},{"t":120,"v":3}]`), DecodeOptions{})
	require.NoError(t, err)
	require.Len(t, got, 3)
	for i, want := range []time.Duration{2 * time.Minute, time.Minute, 0} {
		require.Equal(t, float64(i+1), got[i].Value)
		require.Equal(t, want, got[i].Ago)
		require.True(t, got[i].At.IsZero())
	}
	// 2^28 is the first absolute time (RFC 8428 section 4.5.3).
	got, err = Decode([]byte(`[{"n":"lamp","t":268435456,"v":2},{"n":"lamp","t":268435455,"v":1}]`), DecodeOptions{})
	require.NoError(t, err)
	require.Equal(t, time.Unix(1<<28, 0).UTC(), got[0].At)
	require.Equal(t, -time.Duration(1<<28-1)*time.Second, got[1].Ago)
	// Beside it, what is told as seconds before now goes last, wherever it stands.
	for _, pack := range []string{`[{"n":"lamp","t":1800000000,"v":1},{"n":"lamp","t":-5,"v":2}]`, `[{"n":"lamp","t":-5,"v":2},{"n":"lamp","t":1800000000,"v":1}]`} {
		got, err = Decode([]byte(pack), DecodeOptions{})
		require.NoError(t, err)
		require.Equal(t, []float64{1, 2}, []float64{got[0].Value, got[1].Value}, pack)
	}
}

func TestDecodeWarnsOfBadExtras(t *testing.T) {
	got, err := Decode([]byte(`{"value":512,"batt":"low","rssi":1e12}`), DecodeOptions{Battery: "/batt", RSSI: "/rssi"})
	require.NoError(t, err)
	require.Equal(t, 512.0, got[0].Value)
	require.Nil(t, got[0].Battery)
	require.Nil(t, got[0].RSSI)
	require.ErrorContains(t, got[0].Warn, "battery")
	require.ErrorContains(t, got[0].Warn, "rssi")
}

func TestDecodeWithoutValue(t *testing.T) {
	got, err := Decode([]byte(`{"batt":3.7}`), DecodeOptions{Value: NoValue, Battery: "/batt"})
	require.NoError(t, err)
	require.False(t, got[0].HasValue)
	require.Equal(t, 3.7, *got[0].Battery)
	for _, p := range []string{"", "hello", "\xff"} {
		got, err = Decode([]byte(p), DecodeOptions{Value: NoValue})
		require.NoError(t, err)
		require.Len(t, got, 1)
	}
}

// A payload that is battery or signal strength alone, in each form that a lamp's value
// alone may have.
func TestDecodeWholePayload(t *testing.T) {
	o := DecodeOptions{Value: NoValue, Battery: WholePayload}
	for _, p := range []string{"3.91", " 3.91\r\n", `"3.91"`, `{"value": 3.91}`, `[{"n":"battery","v":3.91}]`} {
		got, err := Decode([]byte(p), o)
		require.NoError(t, err, p)
		require.NoError(t, got[0].Warn, p)
		require.False(t, got[0].HasValue)
		require.NotNil(t, got[0].Battery, p)
		require.Equal(t, 3.91, *got[0].Battery, p)
	}
	for p, want := range map[string]string{
		"3,91":            `battery: the payload "3,91" is not a number alone: write it with a point, 3.91`,
		"3.91V":           "send it without a unit, 3.91",
		`{"volts": 3.91}`: `say where in its payload the number is, such as "/battery"`,
		"low":             "send a bare number",
		`{"value":`:       "send a bare number",
		"nan":             "the value is NaN",
		"1e12":            "is too large",
	} {
		got, err := Decode([]byte(p), o)
		require.NoError(t, err, p)
		require.Nil(t, got[0].Battery, p)
		require.ErrorContains(t, got[0].Warn, want)
		require.NotContains(t, got[0].Warn.Error(), "512", "a count is no voltage")
		require.NotContains(t, got[0].Warn.Error(), "value =", "a board has no such key")
	}
	got, err := Decode(nil, o)
	require.NoError(t, err)
	require.NoError(t, got[0].Warn)
	got, err = Decode([]byte("-67"), DecodeOptions{Value: NoValue, RSSI: WholePayload})
	require.NoError(t, err)
	require.Nil(t, got[0].Battery)
	require.Equal(t, -67.0, *got[0].RSSI)
}

// sane is what every sample that Decode lets through must be.
func sane(s Sample) error {
	for _, v := range []*float64{&s.Value, s.Battery, s.RSSI} {
		if v != nil && (math.IsNaN(*v) || math.Abs(*v) > MaxValue) {
			return fmt.Errorf("%v is no reading", *v)
		}
	}
	if !s.At.IsZero() && (s.At.Location() != time.UTC || s.At.Year() < 1970 || s.At.Year() > 9999) {
		return fmt.Errorf("%v is no time", s.At)
	}
	return nil
}

// The control of the fuzz target's check.
func TestSaneCatchesBadSamples(t *testing.T) {
	inf := math.Inf(1)
	require.NoError(t, sane(Sample{Value: 512}))
	require.Error(t, sane(Sample{Value: math.NaN()}))
	require.Error(t, sane(Sample{Battery: &inf}))
	require.Error(t, sane(Sample{At: time.Unix(1<<40, 0).UTC()}))
}

// sameAsWhole tells whether WholeNumber says of a payload what Decode does, or
// nothing.
func sameAsWhole(payload []byte) bool {
	v, ok := WholeNumber(payload)
	if !ok {
		return true
	}
	got, err := Decode(payload, DecodeOptions{})
	return err == nil && len(got) == 1 && got[0] == Sample{Value: v, HasValue: true}
}

func TestWholeNumber(t *testing.T) {
	for payload, want := range map[string]float64{"0": 0, "512": 512, "0512": 512, "999999999": 999999999} {
		v, ok := WholeNumber([]byte(payload))
		require.True(t, ok, payload)
		require.Equal(t, want, v)
	}
	for _, payload := range []string{"", "512.5", "-1", "+1", " 512", "512\n", "1e3", "1000000001", "1_000", "0x10", "\u0663", "512;"} {
		_, ok := WholeNumber([]byte(payload))
		require.False(t, ok, payload)
	}
	for n := range 70_000 {
		require.True(t, sameAsWhole([]byte(strconv.Itoa(n*n))))
	}
}

func FuzzDecode(f *testing.F) {
	v := loadVectors(f)
	for _, p := range []string{"512", "-1e3", "nan", `{"value":1}`, `{"a":{"b":[1,"2"]}}`, `[{"n":"a","v":1}]`, "\x00", `[{"bn":"a","bt":1e9,"bv":1,"bver":5,"v":1,"t":-1}]`} {
		for _, at := range []string{"", "/a/b/1", "senml:a", "-", "/"} {
			f.Add([]byte(p), at, "/b")
		}
	}
	for _, p := range []json.RawMessage{v.SenML.Pack512, v.SenML.Pack513, v.SenML.Pack515, v.SenML.Pack516} {
		f.Add([]byte(p), "", "senml:voltage")
	}
	f.Fuzz(func(t *testing.T, payload []byte, value, volts string) {
		o := DecodeOptions{Value: value, Battery: volts, RSSI: "/rssi"}
		got, err := Decode(payload, o)
		if err != nil {
			if len(got) != 0 || ReasonOf(err) == "" || err.Error() == "" {
				t.Fatalf("%v, %d samples", err, len(got))
			}
			return
		}
		if len(got) == 0 {
			t.Fatal("no sample, no error")
		}
		if !sameAsWhole(payload) {
			t.Fatalf("WholeNumber(%q) is not what Decode says", payload)
		}
		for _, s := range got {
			if s.HasValue == (value == NoValue) {
				t.Fatalf("HasValue is %v", s.HasValue)
			}
			if err := sane(s); err != nil {
				t.Fatal(err)
			}
		}
	})
}

// To say which numbers a payload has costs no more than to read it, however long the
// names are that lead to none.
func TestDecodeOfLongNamesIsCheap(t *testing.T) {
	payload := []byte(`{"` + strings.Repeat("~", 100000) + `":[` + strings.Repeat("{},", 50000) + `{}]}`)
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	_, err := Decode(payload, DecodeOptions{Value: "/light"})
	runtime.ReadMemStats(&after)
	require.Equal(t, NoSuchPointer, ReasonOf(err))
	require.Less(t, after.TotalAlloc-before.TotalAlloc, uint64(200*len(payload)))
}

func BenchmarkDecode(b *testing.B) {
	for _, c := range []struct {
		name, payload string
		o             DecodeOptions
	}{
		{"number", "512", DecodeOptions{}},
		{"pointer", `{"light":512,"batt":3.71,"rssi":-67}`, DecodeOptions{Value: "/light", Battery: "/batt", RSSI: "/rssi"}},
		{"senml", `[{"bn":"urn:dev:mac:0024befffe804ff1:","n":"light","v":512},{"n":"batt","u":"V","v":3.7}]`, DecodeOptions{Value: "senml:light", Battery: "senml:batt"}},
	} {
		b.Run(c.name, func(b *testing.B) {
			b.ReportAllocs()
			p := []byte(c.payload)
			for b.Loop() {
				if _, err := Decode(p, c.o); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
