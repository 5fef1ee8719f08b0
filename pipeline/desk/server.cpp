#include "pipeline/desk/server.h"

#include <fmt/format.h>

#include <atomic>
#include <charconv>

#include "core/error.h"
#include "core/files.h"
#include "pipeline/desk/page.h"
#include "pipeline/desk/shoot_again.h"
#include "pipeline/desk/shoot_again_page.h"

namespace trunnion::desk {
namespace {

using httplib::Request;
using httplib::Response;

constexpr int kMostStreams = 8;  // of events, each of which keeps a worker

Access::Header header_of(const Request& request) {
  return [&request](const std::string& name) { return request.get_header_value(name); };
}

void refuse(Response& response, int status, const std::string& sentence) {
  response.status = status;
  response.set_content(sentence + "\n", "text/plain; charset=utf-8");
}

void add_safety_headers(Response& response) {
  response.set_header("X-Content-Type-Options", "nosniff");
  response.set_header("Referrer-Policy", "no-referrer");
  response.set_header("Cross-Origin-Resource-Policy", "same-origin");
  response.set_header("Cross-Origin-Opener-Policy", "same-origin");
  response.set_header("X-Frame-Options", "DENY");
  if (!response.has_header("Content-Security-Policy")) {
    response.set_header("Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'");
  }
  if (!response.has_header("Cache-Control")) response.set_header("Cache-Control", "no-store");
}

// Before anything of a body is read.
bool turned_away(const Request& request, Response& response, Access& access) {
  const bool changes = request.method == "POST";
  if (request.method != "GET" && !changes) {
    refuse(response, 405, "Only GET and POST are answered.");
  } else if (!access.from_here(header_of(request), changes)) {
    refuse(response, 403, "This request does not come from the desk's own page.");
  } else if (!(request.path == "/" && request.has_param("token") && !changes) &&  // its own handler
             !access.has_cookie(header_of(request))) {
    refuse(response, 403,
           "This page is opened by the address that trunnion desk prints; the address works once. "
           "Start trunnion desk again for another one.");
  } else if (changes && request.get_header_value("Content-Type") != "application/json") {
    refuse(response, 415, "Only JSON is taken.");
  } else {
    return false;
  }
  add_safety_headers(response);
  response.set_header("Connection", "close");
  return true;
}

void answer(Response& response, const Json& json) {
  response.set_content(json.dump(-1, ' ', false, Json::error_handler_t::replace),
                       "application/json");
}

// Runs what may throw; the sentence of an error is for the page.
template <typename Work>
void guarded(Response& response, const Work& work) {
  try {
    work();
  } catch (const Error& error) {
    response.status = error.kind() == Error::Kind::output ? 500 : 400;
    answer(response, {{"error", error.what()}});
  } catch (const nlohmann::json::exception&) {
    response.status = 400;
    answer(response, {{"error", "The request of the page is not understood."}});
  }
}

template <typename Work>
void add_change(BoundedServer& server, const char* path, Work work) {
  server.Post(path, [work](const Request& request, Response& response) {
    guarded(response, [&] {
      const Json json = Json::parse(request.body);
      if (!json.is_object()) throw data_error("The request of the page is no object.");
      answer(response, work(json));
    });
  });
}

void add_changes(BoundedServer& server, Workbench& bench) {
  const auto done = [](bool changed) { return Json{{"changed", changed}}; };
  const auto simple = [&](const char* path, void (Workbench::*change)(const Json&)) {
    add_change(server, path, [&bench, change, done](const Json& json) {
      (bench.*change)(json);
      return done(true);
    });
  };
  simple("/paint", &Workbench::paint);
  simple("/exclude", &Workbench::exclude);
  simple("/include", &Workbench::include);
  simple("/accept", &Workbench::accept);
  simple("/retract", &Workbench::retract);
  add_change(server, "/undo", [&bench, done](const Json& json) { return done(bench.undo(json)); });
  add_change(server, "/redo", [&bench, done](const Json& json) { return done(bench.redo(json)); });
}

int number_in(const std::string& text) {
  int value = -1;
  const auto [end, code] = std::from_chars(text.data(), text.data() + text.size(), value);
  return code == std::errc() && end == text.data() + text.size() ? value : -1;
}

// /tile?view=NAME&kind=before&level=0&x=0&y=0
void send_tile(const Request& request, Response& response, Workbench& bench) {
  const std::string kind = request.get_param_value("kind");
  const auto file = bench.picture(request.get_param_value("view"), kind);
  if (!file) {
    refuse(response, 404, "There is no such image.");
    return;
  }
  const cv::Mat tile = bench.tiles().tile(*file, number_in(request.get_param_value("level")),
                                          number_in(request.get_param_value("x")),
                                          number_in(request.get_param_value("y")));
  if (tile.empty()) {
    refuse(response, 404, "There is no such tile.");
  } else if (kind == "mask" && tile.channels() == 1) {
    response.set_content(mask_tile_png(tile), "image/png");
  } else {
    response.set_content(photograph_jpeg(tile), "image/jpeg");
  }
  // The page asks for a changed file under another address.
  response.set_header("Cache-Control", "private, max-age=3600");
}

void send_events(const Request& /*request*/, Response& response, Workbench& bench,
                 const std::shared_ptr<std::atomic<int>>& streams) {
  if (streams->fetch_add(1) >= kMostStreams) {
    streams->fetch_sub(1);
    refuse(response, 503, "Too many pages are open; close one.");
    return;
  }
  response.set_chunked_content_provider(
      "text/event-stream",
      [&bench, seen = std::uint64_t{0}](std::size_t, httplib::DataSink& sink) mutable {
        constexpr std::chrono::milliseconds kAtMost{3000};
        constexpr std::chrono::milliseconds kBetween{120};  // events come no faster
        if (bench.ending() || !sink.is_writable()) return false;
        const std::uint64_t revision = bench.wait(seen, kAtMost);
        const std::string text = revision > seen
                                     ? fmt::format("data: {}\n\n", bench.progress().dump())
                                     : std::string(": \n\n");
        seen = revision;
        if (!sink.write(text.data(), text.size())) return false;
        std::this_thread::sleep_for(kBetween);
        return true;
      },
      [streams](bool) { streams->fetch_sub(1); });
}

void send_file(Response& response, const std::filesystem::path& file, const char* type) {
  std::error_code code;
  if (!std::filesystem::is_regular_file(file, code)) {
    refuse(response, 404, "There is no such file yet.");
    return;
  }
  response.set_content(read_file(file, std::uintmax_t{256} << 20U), type);
}

void add_report(BoundedServer& server, Workbench& bench) {
  server.Get("/report/index.html", [&bench](const Request&, Response& response) {
    // The page carries its own policy, too; both hold.
    response.set_header("Content-Security-Policy",
                        "default-src 'self' data: blob:; script-src 'self' 'unsafe-inline'; "
                        "style-src 'self' 'unsafe-inline'; frame-ancestors 'none'");
    send_file(response, bench.report_folder() / "index.html", "text/html; charset=utf-8");
  });
  server.Get("/report/report.json", [&bench](const Request&, Response& response) {
    send_file(response, bench.report_folder() / "report.json", "application/json");
  });
  server.Get(R"(/report/pictures/((\d{4}-(before|after|small)|backdrop)\.jpg))",
             [&bench](const Request& request, Response& response) {
               send_file(response, bench.report_folder() / "pictures" / request.matches[1].str(),
                         "image/jpeg");
             });
}

void add_shoot_again(BoundedServer& server, Workbench& bench) {
  const auto shots = [&bench] {
    const std::shared_ptr<const report::ReportData> data = bench.report();
    return data ? shots_again(*data, bench.specimen()) : std::vector<ShotAgain>();
  };
  server.Get("/shoot-again.csv", [shots](const Request&, Response& response) {
    response.set_header("Content-Disposition", "attachment; filename=\"shoot-again.csv\"");
    response.set_content(shots_again_csv(shots()), "text/csv; charset=utf-8");
  });
  server.Get("/shoot-again", [shots, &bench](const Request&, Response& response) {
    response.set_header("Content-Security-Policy", shots_again_policy());
    response.set_content(shots_again_html(shots(), bench.specimen().title),
                         "text/html; charset=utf-8");
  });
}

void send_page(const Request& request, Response& response, Access& access) {
  if (request.has_param("token")) {
    const bool spent = access.spend(request.get_param_value("token"));
    if (!spent && !access.has_cookie(header_of(request))) {
      refuse(response, 403,
             "This address was used already, or is not right. Start trunnion desk "
             "again for another one.");
      return;
    }
    if (spent) response.set_header("Set-Cookie", access.cookie_header());
    response.set_redirect("/", 303);
    return;
  }
  response.set_header("Content-Security-Policy",
                      fmt::format("default-src 'none'; {}; img-src 'self' data: blob:; connect-src "
                                  "'self'; base-uri 'none'; form-action 'none'; frame-ancestors "
                                  "'none'",
                                  page().policy));
  response.set_content(std::string(page().document), "text/html; charset=utf-8");
}

}  // namespace

void add_routes(BoundedServer& server, Access& access, Workbench& bench) {
  server.set_pre_routing_handler([&access](const Request& request, Response& response) {
    return turned_away(request, response, access) ? httplib::Server::HandlerResponse::Handled
                                                  : httplib::Server::HandlerResponse::Unhandled;
  });
  server.set_post_routing_handler(
      [](const Request&, Response& response) { add_safety_headers(response); });
  server.set_exception_handler([](const Request&, Response& response, const std::exception_ptr&) {
    refuse(response, 500, "The desk could not answer this.");
  });
  server.Get("/", [&access](const Request& request, Response& response) {
    send_page(request, response, access);
  });
  server.Get("/state", [&bench](const Request&, Response& response) {
    guarded(response, [&] { answer(response, bench.state()); });
  });
  server.Get("/view", [&bench](const Request& request, Response& response) {
    guarded(response, [&] { answer(response, bench.view(request.get_param_value("name"))); });
  });
  server.Get("/tile", [&bench](const Request& request, Response& response) {
    guarded(response, [&] { send_tile(request, response, bench); });
  });
  const auto streams = std::make_shared<std::atomic<int>>(0);
  server.Get("/events", [&bench, streams](const Request& request, Response& response) {
    send_events(request, response, bench, streams);
  });
  add_report(server, bench);
  add_shoot_again(server, bench);
  add_changes(server, bench);
}

}  // namespace trunnion::desk
