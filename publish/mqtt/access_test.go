package mqtt

import (
	"strings"
	"testing"
)

func TestRulesDenyWhatTheyDoNotMention(t *testing.T) {
	const read, write = false, true
	rules := newAccess(topics, true)
	tests := []struct {
		role  Role
		write bool
		topic string
		want  bool
	}{
		{Look, read, "chaffinch/v1/#", true},
		{Look, read, "chaffinch/v1/w/alert/+", true},
		{Look, read, "chaffinch/v1/w/alert", true}, // alert/# matches it (MQTT 3.1.1, 4.7.1.2)
		{Look, read, "chaffinch/v1/w/alert/signal-silent/rotor-speed-rpm", true},
		{Look, read, "chaffinch/v1/+/live", true},
		{Look, read, "chaffinch/v1/w/+", true},
		{Look, read, "chaffinch/v1/+/+", true},
		{Look, read, "chaffinch/v1/w/live/#", true}, // matches live itself
		{Look, read, "chaffinch/v1/other/live", false},
		{Look, read, "chaffinch/v1/other/#", false},
		{Look, read, "chaffinch/v1/w", false},
		{Look, read, "chaffinch/v1/+", false},
		{Look, read, "chaffinch/v1/w/live/+", false},
		{Look, read, "chaffinch/v1/w/unheard-of", false},
		{Look, read, "chaffinch/v1/w/do/answer", false},
		{SetUp, read, "chaffinch/v1/w/do/#", false},
		{Look, read, "#", false},
		{Look, read, "+/v1/#", false},
		{Look, read, "chaffinch/#", false},
		{Look, read, "chaffinch/v11/w", false},
		{Look, read, "chaffinch/v1", false},
		{Look, read, "$SYS/#", false},
		{Look, read, "$share/g/chaffinch/v1/#", false},
		{Look, read, "", false},
		{NoRole, read, "chaffinch/v1/#", false},
		{roleCount, read, "chaffinch/v1/#", false},
		{SetUp, read, "chaffinch/v1/w/live", true},

		{Look, write, "chaffinch/v1/w/live", false},
		{Look, write, "chaffinch/v1/w/do/acknowledge", false},
		{NoRole, write, "chaffinch/v1/w/do/acknowledge", false},
		{Answer, write, "chaffinch/v1/w/do/acknowledge", true},
		{Answer, write, "chaffinch/v1/w/do/answer", true},
		{Answer, write, "chaffinch/v1/w/do/check", true},
		{Answer, write, "chaffinch/v1/w/do/setup", false},
		{SetUp, write, "chaffinch/v1/w/do/setup", true},
		{SetUp, write, "chaffinch/v1/w/do/answer", true},
		{SetUp, write, "chaffinch/v1/w/do/answer/x", false},
		{SetUp, write, "chaffinch/v1/w/do/", false},
		{SetUp, write, "chaffinch/v1/w/do/other", false},
		{SetUp, write, "chaffinch/v1/w/availability", false},
		{SetUp, write, "chaffinch/v1/x/do/setup", false},
		{SetUp, write, "$SYS/x", false},
		{SetUp, write, "", false},
		{roleCount, write, "chaffinch/v1/w/do/answer", false},
	}
	for _, test := range tests {
		ask := rules.mayRead
		if test.write {
			ask = rules.mayWrite
		}
		ok, why := ask(test.role, test.topic)
		if ok != test.want || ok == (why != "") {
			t.Errorf("%s, write %v, %q: %v (%s), want %v", test.role, test.write, test.topic, ok, why, test.want)
		}
	}
	if ok, why := newAccess(topics, false).mayWrite(SetUp, topics.Inputs()+"setup"); ok || why != "nothing here takes inputs" {
		t.Errorf("an input that nothing takes: %v (%s)", ok, why)
	}
}

// Whatever the program publishes can be read by who may look.
func TestAllTopicsCanBeRead(t *testing.T) {
	rules := newAccess(topics, false)
	for _, topic := range []string{topics.Availability(), topics.Live(), topics.Event(), topics.Prompt(), topics.Verdict(), topics.Check(), topics.Note(),
		topics.Shift(), topics.Alert("feed-drop", ""), topics.Alert("signal-silent", "rotor_speed_rpm")} {
		if ok, why := rules.mayRead(Look, topic); !ok {
			t.Errorf("%s: %s", topic, why)
		}
		if ok, _ := rules.mayWrite(SetUp, topic); ok {
			t.Errorf("%s can be written", topic)
		}
	}
}

func TestCredentialsLetInWhoTheyName(t *testing.T) {
	tablet, secret, err := NewCredential("tablet", Look)
	if err != nil {
		t.Fatal(err)
	}
	phone, other, err := NewCredential("phone", SetUp)
	if err != nil {
		t.Fatal(err)
	}
	if len(secret) != 26 || secret == other {
		t.Errorf("passwords %q and %q", secret, other)
	}
	file := "# devices\n\n" + tablet.Line() + "\n" + phone.Line() + "\n"
	if strings.Contains(file, secret) {
		t.Error("the file holds a password")
	}
	all, err := ReadCredentials(strings.NewReader(file))
	if err != nil {
		t.Fatal(err)
	}
	tests := []struct {
		name, password string
		want           Role
	}{
		{"tablet", secret, Look}, {"phone", other, SetUp},
		{"tablet", other, NoRole}, {"phone", secret, NoRole}, {"tablet", "", NoRole}, {"", secret, NoRole}, {"tablet", secret + "a", NoRole},
	}
	for _, test := range tests {
		if got := role(all, test.name, test.password); got != test.want {
			t.Errorf("%s: %s, want %s", test.name, got, test.want)
		}
	}
}

func TestCredentialFilesAreReadStrictly(t *testing.T) {
	c, _, err := NewCredential("tablet", Look)
	if err != nil {
		t.Fatal(err)
	}
	good := c.Line()
	for name, file := range map[string]string{
		"no role": strings.Replace(good, " look ", " ", 1), "unknown role": strings.Replace(good, " look ", " any ", 1),
		"role none": strings.Replace(good, " look ", " none ", 1), "short hash": good[:len(good)-2], "not hex": good[:len(good)-1] + "x",
		"twice": good + "\n" + good, "more": good + " x", "password only": "tablet:secret",
	} {
		_, err := ReadCredentials(strings.NewReader(file))
		if err == nil || !strings.Contains(err.Error(), "line ") || strings.Contains(err.Error(), "secret") {
			t.Errorf("%s: error %v, want one that names the line and repeats nothing", name, err)
		}
	}
	for _, name := range []string{"", "a b", "#a", "ü", strings.Repeat("a", 65)} {
		if _, _, err := NewCredential(name, Look); err == nil {
			t.Errorf("%q became a name", name)
		}
	}
	if _, _, err := NewCredential("a", NoRole); err == nil {
		t.Error("a credential without a role was made")
	}
}
