// The desk over HTTP on the loopback address: who gets in, what a hostile client gets, and that a
// page changes exactly the files that a hand would.
#include "pipeline/desk/server.h"

#include <arpa/inet.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <sys/socket.h>
#include <unistd.h>

#include <chrono>
#include <fstream>
#include <opencv2/imgcodecs.hpp>
#include <thread>

#include "core/error.h"
#include "core/files.h"
#include "core/metadata.h"
#include "tests/support/small_set.h"

namespace trunnion::desk {
namespace server_test {

using namespace std::chrono_literals;
using testing::HasSubstr;

// A desk on a small set, with a client that may come in.
class Desk {
 public:
  explicit Desk(const fs::path& workspace, bool read_only = false,
                const ConnectionLimits& limits = {})
      : bench_(workspace, {.read_only = read_only, .jobs = 2}),
        server_(limits),
        port_(server_.bind_to_any_port("127.0.0.1")),
        access_(port_) {
    initialise_metadata();
    add_routes(server_, access_, bench_);
    thread_ = std::thread([this] { server_.listen_after_bind(); });
    while (!server_.is_running()) std::this_thread::sleep_for(5ms);
  }
  ~Desk() {
    bench_.end();
    server_.stop();
    thread_.join();
  }
  Desk(const Desk&) = delete;
  Desk& operator=(const Desk&) = delete;

  [[nodiscard]] int port() const { return port_; }
  Access& access() { return access_; }
  Workbench& bench() { return bench_; }
  [[nodiscard]] std::string cookie() const {
    const std::string header = access_.cookie_header();
    return header.substr(0, header.find(';'));
  }
  [[nodiscard]] std::string origin() const { return "http://127.0.0.1:" + std::to_string(port_); }

  int get(const std::string& path, httplib::Headers headers = {}, bool cookie = true) {
    if (cookie) headers.emplace("Cookie", this->cookie());
    httplib::Client client("127.0.0.1", port_);
    const auto result = client.Get(path.c_str(), headers);
    body_ = result ? result->body : "";
    return result ? result->status : 0;
  }
  int post(const std::string& path, const Json& json) {
    httplib::Client client("127.0.0.1", port_);
    client.set_read_timeout(30s);
    const auto result = client.Post(path.c_str(), {{"Cookie", cookie()}, {"Origin", origin()}},
                                    json.dump(), "application/json");
    body_ = result ? result->body : "";
    return result ? result->status : 0;
  }
  [[nodiscard]] const std::string& body() const { return body_; }

  // Until nothing is left to prepare.
  Json settled() {
    for (int k = 0; k < 1200; ++k) {
      if (!bench_.progress()["running"].get<bool>()) break;
      std::this_thread::sleep_for(50ms);
    }
    return bench_.state();
  }

 private:
  Workbench bench_;
  BoundedServer server_;
  int port_;
  Access access_;
  std::thread thread_;
  std::string body_;
};

int connected(int port) {
  const int sock = ::socket(AF_INET, SOCK_STREAM, 0);
  sockaddr_in address{};
  address.sin_family = AF_INET;
  address.sin_port = htons(static_cast<std::uint16_t>(port));
  address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
  if (::connect(sock, reinterpret_cast<sockaddr*>(&address), sizeof address) != 0) {
    ::close(sock);
    return -1;
  }
  return sock;
}

// Sends these bytes as they are; all that comes back until the other side closes.
std::string exchanged(int port, const std::string& bytes) {
  const int sock = connected(port);
  ::send(sock, bytes.data(), bytes.size(), MSG_NOSIGNAL);
  std::string answer;
  std::array<char, 4096> part{};
  for (ssize_t got = 1; got > 0;) {
    got = ::recv(sock, part.data(), part.size(), 0);
    if (got > 0) answer.append(part.data(), static_cast<std::size_t>(got));
  }
  ::close(sock);
  return answer;
}

std::string raw(const Desk& desk, const std::string& target, const std::string& headers = {}) {
  return exchanged(desk.port(), "GET " + target +
                                    " HTTP/1.1\r\nHost: 127.0.0.1:" + std::to_string(desk.port()) +
                                    "\r\nCookie: " + desk.cookie() + "\r\n" + headers + "\r\n");
}

TEST(DeskServer, TheAddressOpensThePageOnce) {
  const test::SmallSet set;
  Desk desk(set.workspace(), true);
  const std::string address = desk.access().address();
  const std::string path = address.substr(address.find("/?"));
  EXPECT_EQ(desk.get("/", {}, false), 403);
  EXPECT_EQ(desk.get("/?token=" + std::string(32, '0'), {}, false), 403);
  httplib::Client client("127.0.0.1", desk.port());
  const auto opened = client.Get(path.c_str());
  ASSERT_TRUE(opened);
  EXPECT_EQ(opened->status, 303);
  const std::string set_cookie = opened->get_header_value("Set-Cookie");
  EXPECT_THAT(set_cookie, HasSubstr("HttpOnly; SameSite=Strict"));
  EXPECT_EQ(desk.get(path, {}, false), 403);
  EXPECT_EQ(desk.get("/", {{"Cookie", set_cookie.substr(0, set_cookie.find(';'))}}, false), 200);
  EXPECT_EQ(
      desk.get("/", {{"Cookie", "trunnion_desk_" + std::to_string(desk.port()) + "=0"}}, false),
      403);
}

TEST(DeskServer, OtherSitesAndHostsGetNothing) {
  const test::SmallSet set;
  Desk desk(set.workspace());
  EXPECT_EQ(desk.get("/state"), 200);
  EXPECT_EQ(desk.get("/state", {{"Host", "evil.example"}}), 403);
  EXPECT_EQ(desk.get("/state", {{"Host", "127.0.0.1:1"}}), 403);
  EXPECT_EQ(desk.get("/state", {{"Origin", "http://evil.example"}}), 403);
  EXPECT_EQ(desk.get("/state", {{"Origin", "null"}}), 403);
  EXPECT_EQ(desk.get("/state", {{"Sec-Fetch-Site", "cross-site"}}), 403);
  EXPECT_EQ(desk.get("/state", {{"Sec-Fetch-Site", "same-site"}}), 403);
  const Json out{{"ring", "low"}, {"station", 3}, {"reason", "x"}};
  httplib::Client client("127.0.0.1", desk.port());
  const auto status = [&](const httplib::Headers& headers, const char* type) {
    const auto result = client.Post("/exclude", headers, out.dump(), type);
    return result ? result->status : 0;
  };
  const std::pair<std::string, std::string> cookie{"Cookie", desk.cookie()};
  EXPECT_EQ(status({cookie}, "application/json"), 403);
  EXPECT_EQ(status({cookie, {"Origin", "http://evil.example"}}, "application/json"), 403);
  EXPECT_EQ(status({{"Origin", desk.origin()}}, "application/json"), 403);
  // What a form of another site may send without asking first.
  EXPECT_EQ(status({cookie, {"Origin", desk.origin()}}, "text/plain"), 415);
  EXPECT_FALSE(fs::exists(set.workspace() / "review.toml"));
  for (const char* method : {"PUT", "DELETE", "OPTIONS", "TRACE", "HEAD"}) {
    const std::string answer = exchanged(
        desk.port(),
        std::string(method) + " /state HTTP/1.1\r\nHost: 127.0.0.1:" + std::to_string(desk.port()) +
            "\r\nCookie: " + desk.cookie() + "\r\nOrigin: " + desk.origin() + "\r\n\r\n");
    EXPECT_THAT(answer, testing::StartsWith("HTTP/1.1 4")) << method;
  }
}

TEST(DeskServer, NoPathLeavesTheWorkspace) {
  const test::SmallSet set;
  std::ofstream(set.root() / "secret.txt") << "s3cr3t";
  fs::copy(set.root() / "secret.txt", set.workspace() / "secret.txt");
  Desk desk(set.workspace());
  desk.settled();
  EXPECT_THAT(raw(desk, "/report/report.json"), testing::StartsWith("HTTP/1.1 200"));
  for (const char* target :
       {"/../secret.txt", "/report/../../../secret.txt", "/report/%2e%2e/%2e%2e/secret.txt",
        "/report/pictures/..%2f..%2f..%2fsecret.txt", "/report/pictures/0000-small.jpg%00.txt",
        "/report//etc/passwd", "/secret.txt", "/specimen.toml",
        "/report/pictures/%5c..%5csecret.txt",
        "/tile?view=../../secret&kind=before&level=0&x=0&y=0",
        "/tile?view=%2fetc%2fpasswd&kind=mask&level=0&x=0&y=0", "//etc/passwd",
        "http://evil.example/secret.txt"}) {
    const std::string answer = raw(desk, target);
    EXPECT_THAT(answer, testing::StartsWith("HTTP/1.1 4")) << target;
    EXPECT_THAT(answer, testing::Not(HasSubstr("s3cr3t"))) << target;
  }
}

TEST(DeskServer, EveryAnswerCarriesAPolicy) {
  const test::SmallSet set;
  Desk desk(set.workspace(), true);
  for (const char* target : {"/", "/state", "/nothing", "/shoot-again", "/report/index.html"}) {
    const std::string answer = raw(desk, target);
    EXPECT_THAT(answer, HasSubstr("Content-Security-Policy: default-src")) << target;
    EXPECT_THAT(answer, HasSubstr("X-Content-Type-Options: nosniff")) << target;
    EXPECT_THAT(answer, HasSubstr("frame-ancestors 'none'")) << target;
  }
}

TEST(DeskServer, LargeAndBrokenRequestsAreRefused) {
  const test::SmallSet set;
  Desk desk(set.workspace());
  const std::string head =
      "POST /paint HTTP/1.1\r\nHost: 127.0.0.1:" + std::to_string(desk.port()) +
      "\r\nCookie: " + desk.cookie() + "\r\nOrigin: " + desk.origin() +
      "\r\nContent-Type: application/json\r\n";
  // A gigabyte is announced; then sent in chunks without an end in sight.
  EXPECT_THAT(exchanged(desk.port(), head + "Content-Length: 1073741824\r\n\r\n{"),
              testing::StartsWith("HTTP/1.1 413"));
  std::string chunks = head + "Transfer-Encoding: chunked\r\n\r\n";
  for (int k = 0; k < 40; ++k) chunks += "10000\r\n" + std::string(0x10000, 'x') + "\r\n";
  EXPECT_THAT(exchanged(desk.port(), chunks), testing::Not(testing::StartsWith("HTTP/1.1 2")));
  EXPECT_THAT(exchanged(desk.port(), "GET /" + std::string(100000, 'a') + " HTTP/1.1\r\n\r\n"),
              testing::Not(testing::StartsWith("HTTP/1.1 2")));
  exchanged(desk.port(), std::string("\0\xff\r\n\r\n", 6));
  for (const std::string body : {"", "[]", "{\"view\":1}", "{\"a\":", "nonsense"}) {
    httplib::Client client("127.0.0.1", desk.port());
    const auto result = client.Post(
        "/paint", {{"Cookie", desk.cookie()}, {"Origin", desk.origin()}}, body, "application/json");
    ASSERT_TRUE(result);
    EXPECT_EQ(result->status, 400) << body;
  }
  EXPECT_EQ(desk.get("/state"), 200);
}

TEST(DeskServer, SlowClientsAndManyConnectionsDoNotKeepOthersOut) {
  const test::SmallSet set;
  Desk desk(set.workspace(), true, {.request = 300ms, .workers = 4, .waiting = 8});
  std::vector<int> slow;
  for (int k = 0; k < 300; ++k) {
    const int sock = connected(desk.port());
    if (sock < 0) continue;
    ::send(sock, "GET / HT", 8, MSG_NOSIGNAL);
    slow.push_back(sock);
  }
  // A drip that never ends must not hold its worker either.
  std::atomic<bool> stop = false;
  std::thread drip([&] {
    const int sock = connected(desk.port());
    while (!stop && ::send(sock, "x", 1, MSG_NOSIGNAL) > 0) std::this_thread::sleep_for(20ms);
    ::close(sock);
  });
  for (const int sock : slow) ::shutdown(sock, SHUT_RDWR);
  httplib::Client client("127.0.0.1", desk.port());
  client.set_read_timeout(60s);
  const auto result = client.Get("/state", {{"Cookie", desk.cookie()}});
  stop = true;
  drip.join();
  for (const int sock : slow) ::close(sock);
  ASSERT_TRUE(result);
  EXPECT_EQ(result->status, 200);
}

TEST(DeskServer, ASecondWriterIsRefusedByName) {
  const test::SmallSet set;
  Desk desk(set.workspace());
  desk.settled();
  try {
    (void)set.prepare();
    FAIL() << "prepare ran beside the desk";
  } catch (const Error& error) {
    EXPECT_THAT(error.what(), HasSubstr("is in use by trunnion desk (process "));
  }
  EXPECT_THROW(Workbench(set.workspace(), {}), Error);
  EXPECT_NO_THROW(Workbench(set.workspace(), {.read_only = true}));
}

TEST(DeskServer, AStrokeChangesThePaintedFileAndThePreparedMask) {
  const test::SmallSet set;
  Desk desk(set.workspace());
  const Json state = desk.settled();
  const Json& view = state["views"][2];
  const std::string name = view["name"];
  const fs::path mask = *desk.bench().picture(name, "mask");
  const cv::Mat before = cv::imread(mask.string(), cv::IMREAD_GRAYSCALE);
  ASSERT_EQ(before.at<uchar>(8, 8), 0);
  const Json stroke{{"view", name},
                    {"page", "p"},
                    {"paint", "add"},
                    {"radius_px", 5},
                    {"points", {{8, 8}, {20, 8}}}};
  ASSERT_EQ(desk.post("/paint", stroke), 200) << desk.body();
  const fs::path fused = *desk.bench().picture(name, "before");
  const fs::path painted = fused.parent_path() / (fused.stem().string() + ".mask-add.png");
  ASSERT_TRUE(fs::exists(painted));
  desk.settled();
  EXPECT_EQ(cv::imread(mask.string(), cv::IMREAD_GRAYSCALE).at<uchar>(8, 14), 255);
  ASSERT_EQ(desk.post("/undo", {{"view", name}, {"page", "p"}}), 200);
  EXPECT_FALSE(fs::exists(painted));
  desk.settled();
  EXPECT_EQ(cv::countNonZero(cv::imread(mask.string(), cv::IMREAD_GRAYSCALE) != before), 0);
  for (const char* wrong : {"radius_px", "points", "paint", "view", "page"}) {
    Json bad = stroke;
    bad[wrong] = nullptr;
    EXPECT_EQ(desk.post("/paint", bad), 400) << wrong;
  }
}

TEST(DeskServer, DecisionsGoIntoReviewTomlAndComeBackOut) {
  const test::SmallSet set(false);
  std::ofstream(set.workspace() / "review.toml") << "# mine\n";
  Desk desk(set.workspace());
  Json state = desk.settled();
  const std::string ring = state["views"][0]["ring"];
  ASSERT_EQ(desk.post("/exclude", {{"ring", ring}, {"station", 3}, {"reason", "it moved"}}), 200);
  state = desk.settled();
  EXPECT_EQ(state["review"]["excluded"].size(), 1U);
  EXPECT_EQ(desk.post("/exclude", {{"ring", ring}, {"station", 3}, {"reason", "it moved"}}), 400);
  EXPECT_EQ(desk.post("/exclude", {{"ring", "no"}, {"station", 3}, {"reason", "x"}}), 400);
  EXPECT_EQ(desk.post("/exclude", {{"ring", ring}, {"station", 4}, {"reason", " "}}), 400);
  for (int k = 0; k < 20 && !state["to_do"].empty(); ++k) {
    const Json item = state["to_do"][0];
    ASSERT_EQ(desk.post("/accept", {{"view", item["view"]},
                                    {"where", item["where"]},
                                    {"doubt", item["what"]},
                                    {"reason", "looked at"}}),
              200)
        << desk.body();
    state = desk.settled();
  }
  EXPECT_EQ(state["verdict"], "good") << state["sentence"];
  ASSERT_EQ(desk.post("/retract", {{"index", 0}}), 200);
  ASSERT_EQ(desk.post("/include", {{"ring", ring}, {"station", 3}}), 200);
  state = desk.settled();
  EXPECT_EQ(state["verdict"], "check");
  EXPECT_TRUE(state["review"]["excluded"].empty());
  EXPECT_THAT(read_file(set.workspace() / "review.toml"), testing::StartsWith("# mine\n"));
}

TEST(DeskServer, ReadOnlyChangesNothing) {
  const test::SmallSet set;
  (void)set.prepare();
  const auto before = test::hashes_below(set.workspace());
  {
    Desk desk(set.workspace(), true);
    const Json state = desk.settled();
    const std::string name = state["views"][0]["name"];
    EXPECT_TRUE(state["read_only"].get<bool>());
    EXPECT_EQ(desk.get("/tile?view=" + name + "&kind=mask&level=0&x=0&y=0"), 200);
    EXPECT_EQ(desk.get("/shoot-again.csv"), 200);
    EXPECT_EQ(desk.post("/paint", {{"view", name},
                                   {"page", "p"},
                                   {"paint", "add"},
                                   {"radius_px", 5},
                                   {"points", {{8, 8}}}}),
              400);
    EXPECT_THAT(desk.body(), HasSubstr("--read-only"));
    EXPECT_EQ(desk.post("/exclude",
                        {{"ring", state["views"][0]["ring"]}, {"station", 3}, {"reason", "x"}}),
              400);
  }
  EXPECT_EQ(test::hashes_below(set.workspace()), before);
}

TEST(DeskServer, WhatIsToBeShotAgainIsListed) {
  const test::SmallSet set;
  const PrepareOutcome outcome = set.prepare();
  fs::remove(set.workspace() / outcome.scene.views[3].source_file);
  Desk desk(set.workspace());
  desk.settled();
  ASSERT_EQ(desk.get("/shoot-again.csv"), 200);
  EXPECT_THAT(desk.body(),
              testing::StartsWith("ring,station,stage_angle_deg,tilt_deg,rail_mm,file,reason\n"));
  // Eight stations stand 45 degrees apart: the fourth is at 135.
  EXPECT_THAT(desk.body(), HasSubstr(",3,135,"));
  EXPECT_THAT(desk.body(), HasSubstr(outcome.scene.views[3].source_file));
  ASSERT_EQ(desk.get("/shoot-again"), 200);
  EXPECT_THAT(desk.body(), HasSubstr("135&deg;"));
  const std::string ring = outcome.scene.views[3].ring;
  ASSERT_EQ(desk.post("/exclude", {{"ring", ring}, {"station", 3}, {"reason", "enough"}}), 200);
  desk.settled();
  ASSERT_EQ(desk.get("/shoot-again.csv"), 200);
  EXPECT_THAT(desk.body(), testing::Not(HasSubstr(",3,135,")));
}

}  // namespace server_test
}  // namespace trunnion::desk
