// A probe's half of MQTT 3.1.1 over any Arduino Client: connect with a last will, publish and wait for the answer.
#pragma once
#include <Arduino.h>
#include <Client.h>

class MqttClient {
 public:
  struct Login {
    const char *client_id;
    const char *username;  // nullptr: none
    const char *password;
    const char *will_topic;  // the broker publishes `will` there, retained, when the probe falls silent
    const char *will;
  };

  explicit MqttClient(Client &wire) : wire_(wire) {}

  bool connected() { return wire_.connected(); }

  bool connect(const char *host, uint16_t port, const Login &login) {
    wire_.stop();
    if (!wire_.connect(host, port)) return false;
    uint8_t flags = 0x02 | 0x04 | 0x08 | 0x20;  // clean session; will, at QoS 1, retained
    size_t length = 10 + 2 + strlen(login.client_id) + 2 + strlen(login.will_topic) + 2 + strlen(login.will);
    if (login.username) {
      flags |= 0xC0;
      length += 2 + strlen(login.username) + 2 + strlen(login.password);
    }
    const uint8_t head[10] = {0, 4, 'M', 'Q', 'T', 'T', 4, flags, 0, KEEPALIVE_S};
    bool sent = header(0x10, length) && bytes(head, sizeof head) && text(login.client_id) &&
                text(login.will_topic) && text(login.will);
    if (login.username) sent = sent && text(login.username) && text(login.password);
    uint8_t answer[4];
    if (sent && receive(answer) && answer[0] == 0x20 && answer[3] == 0) return true;
    wire_.stop();
    return false;
  }

  // At least once: returns true only when the broker has said that it has the message.
  bool publish(const char *topic, const char *payload, bool retain) {
    packet_ = packet_ == 0xFFFF ? 1 : packet_ + 1;
    const uint8_t id[2] = {(uint8_t)(packet_ >> 8), (uint8_t)packet_};
    const size_t size = strlen(payload);
    uint8_t answer[4];
    const bool sent = header(0x32 | (retain ? 1 : 0), 2 + strlen(topic) + 2 + size) && text(topic) &&
                      bytes(id, 2) && bytes((const uint8_t *)payload, size);
    if (sent && receive(answer) && answer[0] == 0x40 && answer[2] == id[0] && answer[3] == id[1]) return true;
    wire_.stop();
    return false;
  }

 private:
  static const uint8_t KEEPALIVE_S = 60;  // a probe publishes more often than that
  static const unsigned long ANSWER_WITHIN_MS = 5000;

  bool bytes(const uint8_t *data, size_t size) { return size == 0 || wire_.write(data, size) == size; }

  bool text(const char *t) {
    const size_t size = strlen(t);
    const uint8_t length[2] = {(uint8_t)(size >> 8), (uint8_t)size};
    return bytes(length, 2) && bytes((const uint8_t *)t, size);
  }

  bool header(uint8_t type, size_t length) {
    uint8_t head[5] = {type};
    size_t used = 1;
    do {
      head[used] = length & 0x7F;
      length >>= 7;
      if (length) head[used] |= 0x80;
      used++;
    } while (length && used < sizeof head);
    return bytes(head, used);
  }

  // The two answers that a probe gets, CONNACK and PUBACK, both have four bytes.
  bool receive(uint8_t answer[4]) {
    const unsigned long began = millis();
    for (uint8_t got = 0; got < 4;) {
      if (wire_.available()) answer[got++] = (uint8_t)wire_.read();
      else if (millis() - began > ANSWER_WITHIN_MS || !wire_.connected()) return false;
      else delay(2);
    }
    return true;
  }

  Client &wire_;
  uint16_t packet_ = 0;
};
