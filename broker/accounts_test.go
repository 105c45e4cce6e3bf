package broker

import (
	"encoding/base64"
	"fmt"
	"runtime"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/mochi-mqtt/server/v2/packets"
	"github.com/stretchr/testify/require"
	"golang.org/x/crypto/argon2"
)

func b64(b []byte) string { return base64.RawStdEncoding.EncodeToString(b) }

// cheap hashes a password at low cost, so that tests are quick.
func cheap(pw string) string {
	h := argonHash{memory: 8, passes: 1, lanes: 1, salt: []byte("0123456789abcdef")}
	h.key = h.derive(pw, 32)
	return h.String()
}

func TestPeer(t *testing.T) {
	for from, want := range map[string]string{
		"192.0.2.1:9": "192.0.2.1/32", "[::ffff:192.0.2.1]:9": "192.0.2.1/32", "127.0.0.1:9": "127.0.0.1/32", "[::1]:9": "::1/128",
		"[2001:db8:1:2:3::4]:9": "2001:db8:1:2::/64", "[fe80::1%eth0]:9": "fe80::/64", "pipe": "invalid Prefix", "": "invalid Prefix",
	} {
		require.Equal(t, want, Peer(from).String(), from)
	}
}

func TestPasswordHash(t *testing.T) {
	h, err := HashPassword("correct horse")
	require.NoError(t, err)
	require.True(t, strings.HasPrefix(h, "$argon2id$v=19$m=19456,t=2,p=1$"))
	require.True(t, VerifyPassword(h, "correct horse"))
	require.False(t, VerifyPassword(h, "correct horsf"))
	h2, err := HashPassword("correct horse")
	require.NoError(t, err)
	require.NotEqual(t, h, h2)
	_, err = HashPassword("")
	require.Error(t, err)
	for _, bad := range []string{"", "secret", "$argon2i$v=19$m=8,t=1,p=1$MDEyMzQ1Njc$MDEyMzQ1Njc4OWFiY2RlZg",
		"$argon2id$v=19$m=4194304,t=1,p=1$MDEyMzQ1Njc$MDEyMzQ1Njc4OWFiY2RlZg", "$argon2id$v=19$m=8,t=1,p=1$!$MDEyMzQ1Njc4OWFiY2RlZg",
		"$argon2id$v=18$m=8,t=1,p=1$MDEyMzQ1Njc$MDEyMzQ1Njc4OWFiY2RlZg", "$argon2id$v=19$m=8,t=1,p=1$MDEyMzQ1Njc$"} {
		require.False(t, VerifyPassword(bad, ""), bad)
		err := CheckHash(bad)
		require.Error(t, err, bad)
	}
	// Keys of other tools' lengths are taken, and those that lost some characters not.
	for n, right := range map[int]bool{15: false, 16: true, 29: false, 31: false, 32: true, 64: true, 144: false} {
		other := (&argonHash{8, 1, 1, []byte("0123456789abcdef"), argon2.IDKey([]byte("pw"), []byte("0123456789abcdef"), 1, 8, 1, uint32(n))}).String()
		require.Equal(t, right, CheckHash(other) == nil, n)
		require.Equal(t, right, VerifyPassword(other, "pw"), n)
	}
	// The text is that of the argon2 reference library: one computed by the
	// x/crypto package directly, put together by hand.
	key := argon2.IDKey([]byte("pw"), []byte("somesaltsomesalt"), 1, 64, 2, 16)
	require.Equal(t, (&argonHash{64, 1, 2, []byte("somesaltsomesalt"), key}).String(),
		"$argon2id$v=19$m=64,t=1,p=2$c29tZXNhbHRzb21lc2FsdA$"+b64(key))
}

func TestFilterCoverage(t *testing.T) {
	for _, c := range []struct {
		allowed, filter string
		want            bool
	}{
		// Topics: the examples of MQTT 5.0 section 4.7.1.
		{"sport/tennis/player1/#", "sport/tennis/player1", true},
		{"sport/tennis/player1/#", "sport/tennis/player1/ranking", true},
		{"sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", true},
		{"sport/#", "sport", true},
		{"sport/tennis/+", "sport/tennis/player1", true},
		{"sport/tennis/+", "sport/tennis/player1/ranking", false},
		{"sport/+", "sport", false},
		{"sport/+", "sport/", true},
		{"+/+", "/finance", true},
		{"/+", "/finance", true},
		{"+", "/finance", false},
		{"#", "$SYS/uptime", false},
		{"+/monitor/Clients", "$SYS/monitor/Clients", false},
		{"$SYS/#", "$SYS/uptime", true},
		{"$SYS/monitor/+", "$SYS/monitor/Clients", true},
		// Filters: all that they match must be allowed.
		{"cellar/#", "cellar/#", true},
		{"cellar/#", "cellar/+/light", true},
		{"cellar/#", "#", false},
		{"cellar/#", "+/tank", false},
		{"cellar/+", "cellar/#", false},
		{"cellar/+", "cellar/+", true},
		{"cellar/tank", "cellar/+", false},
		{"+/tank", "cellar/tank", true},
		{"cellar/+/#", "cellar/#", false},
		{"cellar/+/#", "cellar/+/+", true},
		{"a/b", "a", false},
		{"a", "a/b", false},
		{"", "a", false},
	} {
		require.Equal(t, c.want, Covers(c.allowed, c.filter), "%q covers %q", c.allowed, c.filter)
	}
	require.Equal(t, "a/b", unshared("$share/g/a/b"))
	require.Equal(t, "", unshared("$share/g"))
}

func TestCheckTopicAndFilter(t *testing.T) {
	for _, ok := range []string{"a", "/", "a//b", "cellar/tank/light", "$x/y", strings.Repeat("a/", MaxTopicLevels-1) + "a", strings.Repeat("é", MaxTopicBytes/2)} {
		require.NoError(t, CheckTopic(ok))
		require.NoError(t, CheckFilter(ok))
	}
	for _, bad := range []string{"", "a\x00b", "a\xffb", strings.Repeat("a", MaxTopicBytes+1), strings.Repeat("/", MaxTopicLevels)} {
		require.Error(t, CheckTopic(bad))
		require.Error(t, CheckFilter(bad))
	}
	for _, ok := range []string{"#", "+", "a/#", "+/+/#", "a/+/b"} {
		require.Error(t, CheckTopic(ok))
		require.NoError(t, CheckFilter(ok))
	}
	for _, bad := range []string{"a#", "#/a", "a/#/b", "a+", "a/+b", "##", "a/b#"} {
		require.Error(t, CheckFilter(bad))
	}
}

func twoAccounts() Options {
	return Options{Listen: "0.0.0.0:1883", Accounts: []Account{
		{Name: "tank", PasswordHash: cheap("tank pw"), Publish: []string{"cellar/tank/#"}, Subscribe: []string{"cellar/tank/set", "news/+"}},
		{Name: "freezer", PasswordHash: cheap("freezer pw"), Publish: []string{"cellar/freezer/light"}},
	}}
}

func TestAccountsDenyByDefault(t *testing.T) {
	versions(t, func(t *testing.T, v byte) {
		sink := &heard{}
		br := embedded(t, twoAccounts(), sink)
		refused := byte(5) // not authorised, MQTT 3.1.1 section 3.2.2.3
		if v == 5 {
			refused = packets.ErrBadUsernameOrPassword.Code
		}
		for _, l := range []login{
			{id: "a"}, {id: "b", user: "tank", pass: "freezer pw"}, {id: "c", user: "nobody", pass: "tank pw"}, {id: "d", user: "tank"},
		} {
			l.clean = true
			require.Equal(t, refused, br.dial(t, v).connect(l), l.id)
		}
		tank := br.dial(t, v)
		require.Zero(t, tank.connect(login{id: "tank", user: "tank", pass: "tank pw", clean: true}))
		tank.publish("cellar/tank/light", "1", 1, 1)
		tank.next(packets.Puback)
		codes := tank.subscribe(2, "cellar/tank/set", "#", "cellar/tank/+", "news/+", "news/#", "news/x", "$share/g/news/+", "$share/g/#", "$SYS/#")
		want := []bool{true, false, false, true, false, true, true, false, false}
		for i, ok := range want {
			require.Equal(t, ok, codes[i] == 1, "subscription %d: code %#x", i, codes[i])
			if !ok {
				require.Equal(t, packets.ErrUnspecifiedError.Code, codes[i]) // no word of why
			}
		}
		tank.publish("cellar/freezer/light", "2", 0, 0) // dropped
		if v == 5 {
			tank.publish("cellar/freezer/light", "3", 1, 3)
			require.Equal(t, packets.ErrNotAuthorized.Code, tank.next(packets.Puback).ReasonCode)
		} else {
			tank.publish("cellar/freezer/light", "3", 1, 3) // the only way of MQTT 3.1.1 to refuse
			tank.hungUp()
		}
		synctest.Wait()
		require.Equal(t, []string{"1"}, sink.payloads())
	})
}

func TestTopicAliasIsNoWayAroundTheLists(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		sink := &heard{}
		br := embedded(t, twoAccounts(), sink)
		b := br.dial(t, 5)
		require.Zero(t, b.connect(login{id: "tank", user: "tank", pass: "tank pw", clean: true}))
		aliased := func(topic, payload string, alias uint16, id uint16) packets.Packet {
			pk := publishPacket(topic, payload, 1, id)
			pk.Properties.TopicAlias, pk.Properties.TopicAliasFlag = alias, true
			return pk
		}
		b.send(aliased("cellar/tank/light", "1", 1, 1))
		require.Zero(t, b.next(packets.Puback).ReasonCode)
		b.send(aliased("", "2", 1, 2))
		require.Zero(t, b.next(packets.Puback).ReasonCode)
		b.send(aliased("cellar/freezer/light", "3", 2, 3))
		require.Equal(t, packets.ErrNotAuthorized.Code, b.next(packets.Puback).ReasonCode)
		b.send(aliased("", "4", 2, 4)) // the alias was never set
		require.Equal(t, packets.ErrTopicAliasInvalid.Code, b.hungUp().ReasonCode)
		require.Equal(t, []string{"1", "2"}, sink.payloads())
		require.Equal(t, "cellar/tank/light", sink.msgs[1].Topic)
		require.EqualValues(t, 1, br.Stats().Denied)
	})
}

func TestDeliveryAndWillsObeyTheLists(t *testing.T) {
	versions(t, func(t *testing.T, v byte) {
		sink := &heard{}
		br := embedded(t, twoAccounts(), sink)
		b := br.dial(t, v)
		require.Zero(t, b.connect(login{id: "f", user: "freezer", pass: "freezer pw", clean: true, will: "cellar/tank/light"}))
		_ = b.conn.Close()
		synctest.Wait()
		b = br.dial(t, v)
		require.Zero(t, b.connect(login{id: "t", user: "tank", pass: "tank pw", clean: true, will: "cellar/tank/will"}))
		_ = b.conn.Close()
		synctest.Wait()
		require.Equal(t, []string{"f up", "f lost", "t up", "t will", "t lost"}, sink.words())
	})
}

func TestSessionIsNotTakenByAnotherAccount(t *testing.T) {
	versions(t, func(t *testing.T, v byte) {
		sink := &heard{}
		br := embedded(t, twoAccounts(), sink)
		edit := func(pk *packets.Packet) {
			if v == 5 {
				pk.Properties.SessionExpiryIntervalFlag, pk.Properties.SessionExpiryInterval = true, 3600
			}
		}
		tank := br.dial(t, v)
		require.Zero(t, tank.connect(login{id: "board", user: "tank", pass: "tank pw", edit: edit}))
		thief := br.dial(t, v)
		require.NotZero(t, thief.connect(login{id: "board", user: "freezer", pass: "freezer pw"}))
		tank.publish("cellar/tank/light", "1", 1, 1)
		tank.next(packets.Puback)
		_ = tank.conn.Close() // the session stays
		synctest.Wait()
		thief = br.dial(t, v)
		require.NotZero(t, thief.connect(login{id: "board", user: "freezer", pass: "freezer pw"}))
		tank = br.dial(t, v)
		require.Zero(t, tank.connect(login{id: "board", user: "tank", pass: "tank pw", edit: edit}))
		_ = tank.conn.Close()
		// Once the session has run out, the id is free.
		time.Sleep(25 * time.Hour)
		other := br.dial(t, v)
		require.Zero(t, other.connect(login{id: "board", user: "freezer", pass: "freezer pw", clean: true}))
		other.disconnect()
		other.hungUp()
		synctest.Wait()
		require.Empty(t, br.hook.owners)
		require.Zero(t, br.srv.Clients.Len())
	})
}

func TestGuessingIsSlowedDown(t *testing.T) {
	versions(t, func(t *testing.T, v byte) {
		br := embedded(t, twoAccounts(), &heard{})
		try := func(from, pass string) bool {
			b := br.dialFrom(t, v, from)
			code := b.connect(login{id: "x", user: "tank", pass: pass, clean: true})
			_ = b.conn.Close()
			b.hungUp()
			return code == 0
		}
		for range guessesFree {
			require.False(t, try("192.0.2.66:1000", "guess"))
		}
		require.False(t, try("192.0.2.66:1000", "tank pw"), "has to wait")
		require.True(t, try("192.0.2.7:1000", "tank pw"), "others need not")
		require.False(t, try("192.0.2.66:1001", "tank pw"), "even with the right password, which would make the wait an oracle")
		time.Sleep(2 * guessWait)
		require.True(t, try("192.0.2.66:1000", "tank pw"))

		// A guesser that never tires gets few tries a day.
		tried := 0
		for end := time.Now().Add(24 * time.Hour); time.Now().Before(end); time.Sleep(time.Second) {
			if br.accounts.mayTry(guesser{Peer("192.0.2.66:1"), "tank"}) {
				tried++
				_, err := br.accounts.login(t.Context(), Peer("192.0.2.66:1"), "tank", "guess")
				require.Error(t, err)
			}
		}
		require.Less(t, tried, 120)
		// Memory stays bounded, whoever guesses.
		for i := range guessersMost + 100 {
			br.accounts.wrong(guesser{name: string(rune('a'+i%26)) + time.Duration(i).String()})
		}
		require.LessOrEqual(t, len(br.accounts.guessers), guessersMost)
	})
}

// Who has a whole IPv6 /48 has 65,536 networks to guess from: those count together,
// but not with others, nor for another name.
func TestGuessingFromManyNetworks(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a, err := newAccounts(twoAccounts().Accounts)
		require.NoError(t, err)
		guess := func(i int) guesser {
			return guesser{Peer(fmt.Sprintf("[2001:db8:7:%x::1]:1000", i)), "tank"}
		}
		for i := range guessesFar {
			require.True(t, a.mayTry(guess(i)), i)
			a.wrong(guess(i))
		}
		require.False(t, a.mayTry(guess(guessesFar)))
		require.True(t, a.mayTry(guesser{guess(0).addr, "freezer"}), "another name")
		require.True(t, a.mayTry(guesser{Peer("[2001:db8:8::1]:1000"), "tank"}), "another house")
		require.True(t, a.mayTry(guesser{Peer("192.0.2.7:1000"), "tank"}))
		tried := 0
		for end := time.Now().Add(24 * time.Hour); time.Now().Before(end); time.Sleep(time.Second) {
			if g := guess(1000 + tried); a.mayTry(g) {
				tried++
				a.wrong(g)
			}
		}
		require.Less(t, tried, 120)
		time.Sleep(guessWaitMax)
		a.right(guess(1))
		for i := range guessesFar {
			require.True(t, a.mayTry(guess(3000+i)), "the right one ends it")
			a.wrong(guess(3000 + i))
		}
		_, ok := guesser{Peer("[fe80::1]:1000"), "tank"}.far()
		require.False(t, ok, "link-local addresses have no /48")
	})
}

// An unknown name must cost the same as a wrong password. What costs is the
// hash, which is seen by the memory it fills.
func TestUnknownNameCostsAHash(t *testing.T) {
	h := argonHash{memory: 4096, passes: 1, lanes: 1, salt: []byte("0123456789abcdef")}
	h.key = h.derive("pw", 32)
	a, err := newAccounts([]Account{{Name: "tank", PasswordHash: h.String()}})
	require.NoError(t, err)
	filled := func(name, pw string) uint64 {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		_, _ = a.login(t.Context(), Peer("192.0.2.1:1"), name, pw)
		runtime.ReadMemStats(&after)
		return after.TotalAlloc - before.TotalAlloc
	}
	const one = 4096 * 1024
	require.Greater(t, filled("tank", "wrong"), uint64(one))
	require.Greater(t, filled("nobody", "wrong"), uint64(one))
	require.Greater(t, filled("tank", "pw"), uint64(one))
	require.Less(t, filled("tank", "pw"), uint64(one), "the second time the right password is known")
	require.Equal(t, a.dummy.passes, a.byName["tank"].hash.passes)
}

func TestNewEmbeddedSaysAllThatIsWrong(t *testing.T) {
	for _, c := range []struct {
		opts Options
		says []string
	}{
		{Options{Listen: ":1883"}, []string{"other machines", "add an account", DefaultListen}},
		{Options{Listen: "0.0.0.0:1883"}, []string{"other machines"}},
		{Options{Listen: "192.0.2.7:1883"}, []string{"other machines"}},
		{Options{Listen: "[::]:1883"}, []string{"other machines"}},
		{Options{Listen: "nonsense"}, []string{"HOST:PORT"}},
		{Options{MaxPacket: 5, MaxClients: -1}, []string{"packet limit 5", "negative"}},
		{Options{Listen: ":1883", Accounts: []Account{{Name: "a", PasswordHash: "plain"}, {Name: "a", PasswordHash: cheap("x"), Publish: []string{"a#"}}, {PasswordHash: cheap("x")}}},
			[]string{"account 1", "$argon2id$", "account 2", "taken", "a#", "account 3: has no name"}},
	} {
		_, err := NewEmbedded(c.opts)
		require.Error(t, err)
		for _, s := range c.says {
			require.ErrorContains(t, err, s)
		}
	}
	for _, ok := range []Options{{}, {Listen: "localhost:0"}, {Listen: "[::1]:1883"}, {Listen: "127.3.2.1:1883"}, twoAccounts()} {
		_, err := NewEmbedded(ok)
		require.NoError(t, err)
	}
}
