package config

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const hash = "$argon2id$v=19$m=19456,t=2,p=1$c2FsdHNhbHRzYWx0$MDEyMzQ1Njc4OWFiY2RlZjAxMjM0NTY3ODlhYmNkZWY"

func TestPage(t *testing.T) {
	c, err := Parse("f.toml", []byte(minimal+`
[page]
listen = "0.0.0.0:8080"
hosts = ["Cellar.example.com"]
url = "http://cellar.example.com:8080/"
[[person]]
name = "ann"
password_hash = "`+hash+`"
`))
	require.NoError(t, err)
	assert.Equal(t, Page{Listen: "0.0.0.0:8080", Hosts: []string{"cellar.example.com"}, URL: "http://cellar.example.com:8080"}, c.Page)
	assert.Equal(t, []Person{{"ann", hash}}, c.People)
}

func TestPageMistakes(t *testing.T) {
	for name, c := range map[string]struct{ text, want string }{
		"open page":     {"[page]\nlisten = \"0.0.0.0:8080\"", "f.toml:9: page.listen: 0.0.0.0:8080 can be reached from other machines, and nobody needs to log in; write 127.0.0.1:8080, or add a [[person]]"},
		"all addresses": {"[page]\nlisten = \":8080\"", "page.listen: :8080 can be reached"},
		"host":          {"[page]\nhosts = [\"http://x\"]", `page.hosts: "http://x" is no host name`},
		"url":           {"[page]\nurl = \"http://x/page\"", "page.url: is not the address of the page"},
		"half TLS":      {"[page]\ncert_file = \"c.pem\"", "page.cert_file: cert_file and key_file go together"},
		"plain":         {"[[person]]\nname = \"ann\"\npassword_hash = \"hunter2\"", "person[1].password_hash: is no hash of lampward's"},
		"no hash":       {"[[person]]\nname = \"ann\"", "person[1].password_hash: is missing"},
		"twice":         {"[[person]]\nname = \"ann\"\npassword_hash = \"" + hash + "\"\n[[person]]\nname = \"ann\"\npassword_hash = \"" + hash + "\"", "person[2].name: \"ann\" stands twice"},
		"key":           {"[page]\nport = 8080", "page.port"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := Parse("f.toml", []byte(minimal+c.text))
			require.ErrorContains(t, err, c.want)
			assert.NotContains(t, err.Error(), "hunter2")
		})
	}
}
